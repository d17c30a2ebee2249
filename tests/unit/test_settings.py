from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.settings import find, load


def test_defaults_need_no_file() -> None:
    settings = load(None)
    assert settings.mail.security == "starttls"
    assert settings.rounds.at.isoformat() == "02:00:00"


@pytest.mark.parametrize("name", ["NIGHTROUND_MAIL_RETRY_MINUTES", "NIGHTROUND_MAIL__RETRY_MINUTES"])
def test_the_environment_wins_over_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    file = tmp_path / "n.toml"
    file.write_text('[web]\nbase_url = "http://a"\n')
    monkeypatch.setenv("NIGHTROUND_WEB_BASE_URL", "https://b.example.org")
    monkeypatch.setenv(name, "[1, 2]")
    settings = load(file)
    assert settings.web.base_url == "https://b.example.org"
    assert settings.mail.retry_minutes == [1, 2]


def test_a_relative_database_lies_beside_the_settings_file(tmp_path: Path) -> None:
    file = tmp_path / "n.toml"
    file.write_text('[database]\nurl = "sqlite:///x.db"\n')
    assert load(file).database_url() == f"sqlite:///{tmp_path.resolve()}/x.db"


def test_a_mistyped_key_is_named(tmp_path: Path) -> None:
    file = tmp_path / "n.toml"
    file.write_text("[mail]\nhots = 'x'\n")
    with pytest.raises(UserError, match=r"mail\.hots"):
        load(file)


def test_plain_mail_takes_no_password_and_no_value_is_ever_shown(tmp_path: Path) -> None:
    # pitfalls.md: ValidationError.errors() holds the secret's value even with hide_input_in_errors.
    file = tmp_path / "n.toml"
    file.write_text("[mail]\nsecurity = 'plain'\nusername = 's3cr3t-user'\npassword = 'hunter2'\nport = 'hunter3'\n")
    with pytest.raises(UserError) as caught:
        load(file)
    text = str(caught.value) + repr(caught.value.__cause__) + repr(caught.value.__context__ and "")
    assert "mail.password" in text
    assert "hunter" not in text
    assert "s3cr3t" not in text


def test_an_unknown_variable_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTROUND_MALI_HOST", "x")
    with pytest.raises(UserError, match="NIGHTROUND_MALI_HOST"):
        load(None)


def test_a_named_file_that_is_missing_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="does not exist"):
        find(str(tmp_path / "no.toml"))


def test_a_short_key_is_refused(tmp_path: Path) -> None:
    (tmp_path / "n.toml").write_text("")
    (tmp_path / "nightround.key").write_bytes(b"short")
    with pytest.raises(UserError, match="longer secret"):
        load(tmp_path / "n.toml").secret()


def test_links_lead_to_where_the_service_listens_unless_another_address_is_set(tmp_path: Path) -> None:
    file = tmp_path / "n.toml"
    file.write_text('[web]\nbind = "127.0.0.1:8599"\n')
    assert load(file).web.base_url == "http://127.0.0.1:8599"
    file.write_text('[web]\nbind = "127.0.0.1:8599"\nbase_url = "https://aed.example.org"\n')
    assert load(file).web.base_url == "https://aed.example.org"
    file.write_text('[web]\nbind = "0.0.0.0:8599"\n')  # no address that anybody could open
    assert load(file).web.base_url == "http://127.0.0.1:8470"
