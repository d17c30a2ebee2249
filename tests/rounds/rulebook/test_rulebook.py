"""Which packs are in use, which file wins, and what the digest of a rule book follows."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from nightround.errors import UserError
from nightround.reckoning.facts import Place
from nightround.reckoning.rules import binding
from nightround.rounds.rulebook import load
from nightround.settings import Settings

from .build import HEAD, RULE, SHEET, book, changed, settings

DAY = date(2026, 11, 25)
HERE = Place("UTC", "", "", "")


def ids(found: object) -> set[str]:
    return {rule.id for rule in found.rules}  # type: ignore[attr-defined]


def test_without_settings_every_shipped_pack_is_in_use() -> None:
    found = load(Settings())
    assert {"house-default", "us-california", "de-germany"} <= {pack.name for pack in found.packs}
    assert {"house-look-monthly", "us-ca-look-90-days"} <= ids(found)
    assert [rule.id for rule in found.rules] == sorted(ids(found))


def test_own_packs_come_beside_the_shipped_ones(tmp_path: Path) -> None:
    found = book(tmp_path, {"ours": HEAD + RULE})
    assert {"ours-look", "house-look-monthly"} <= ids(found)


def test_a_pack_of_the_same_file_name_takes_the_shipped_ones_place(tmp_path: Path) -> None:
    found = book(tmp_path, {"house-default": HEAD + RULE})
    assert "ours-look" in ids(found)
    assert not [rule_id for rule_id in ids(found) if rule_id.startswith("house-")]


def test_a_pack_without_rules_switches_the_shipped_one_off(tmp_path: Path) -> None:
    found = book(tmp_path, {"de-germany": '[pack]\ntitle = "Germany, waived for our units for lay use"\n'})
    assert not [rule_id for rule_id in ids(found) if rule_id.startswith("de-")]


def test_only_the_packs_that_are_named_are_in_use(tmp_path: Path) -> None:
    found = book(tmp_path, {"ours": HEAD + RULE}, packs=["ours", "us-texas"])
    assert {pack.name for pack in found.packs} == {"ours", "us-texas"}
    assert "house-look-monthly" not in ids(found)


def test_a_faulty_pack_that_is_not_in_use_does_no_harm(tmp_path: Path) -> None:
    found = book(tmp_path, {"ours": HEAD + RULE, "draft": "[pack\n"}, packs=["ours"])
    assert ids(found) == {"ours-look"}


@pytest.mark.parametrize(
    ("packs", "told"),
    [
        (["us-texs"], "setting rules.packs: no pack 'us-texs' (did you mean us-texas?); there are: au-australia"),
        ([], 'setting rules.packs: is empty, so that nothing would ever be owed; write ["*"]'),
    ],
)
def test_a_setting_that_names_no_pack_is_told(tmp_path: Path, packs: list[str], told: str) -> None:
    with pytest.raises(UserError) as caught:
        book(tmp_path, {}, packs=packs)
    assert told in str(caught.value)


@pytest.mark.parametrize("key", ["folder", "models"])
def test_a_folder_that_is_not_there_is_told(tmp_path: Path, key: str) -> None:
    with pytest.raises(UserError, match=f"setting rules.{key}: there is no folder .*nowhere; make it or correct"):
        load(settings(tmp_path, {}, **{key: "nowhere"}))


def test_one_name_for_two_rules_is_refused_and_both_files_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"two\.toml, rule ours-look, key id: is taken by a rule in .*one\.toml"):
        book(tmp_path, {"one": HEAD + RULE, "two": HEAD + RULE})
    with pytest.raises(UserError, match="rule house-look-monthly, key id: is taken"):
        book(tmp_path, {"one": HEAD + RULE.replace("ours-look", "house-look-monthly"), "two": HEAD})


def test_a_rule_can_replace_one_of_a_pack_that_is_not_in_use(tmp_path: Path) -> None:
    text = changed('force = "house"', 'force = "house"\nreplaces = ["house-look-monthly"]')
    assert book(tmp_path, {"ours": text}, packs=["ours"]).rule("ours-look").replaces == ("house-look-monthly",)


def test_a_rule_that_replaces_another_binds_in_its_stead(tmp_path: Path) -> None:
    text = changed('force = "house"', 'force = "house"\ncountry = "FR"\nreplaces = ["house-look-monthly"]')
    rules = book(tmp_path, {"ours": text}).rules
    there = {rule.id for rule in binding(rules, HERE._replace(country="FR"), DAY)}
    assert "ours-look" in there
    assert "house-look-monthly" not in there
    assert "house-look-monthly" in {rule.id for rule in binding(rules, HERE, DAY)}


def test_rules_that_replace_each_other_are_refused(tmp_path: Path) -> None:
    one = changed('force = "house"', 'force = "house"\nreplaces = ["other"]')
    two = one.replace("ours-look", "x").replace('"other"', '"ours-look"').replace('"x"', '"other"')
    with pytest.raises(UserError, match="replaces this rule in turn, so that neither would bind"):
        book(tmp_path, {"one": one, "two": two})


def test_a_sheet_of_the_same_file_name_takes_the_shipped_ones_place(tmp_path: Path) -> None:
    sheets = book(tmp_path, {}, {"quennick-s": SHEET}).sheets
    assert "Corrie 3" in sheets
    assert "Quennick S" not in sheets


def test_the_digest_is_the_same_on_every_reading(tmp_path: Path) -> None:
    first = book(tmp_path, {"ours": HEAD + RULE}, {"corrie": SHEET})
    assert len(first.digest) == 64
    assert first == load(settings(tmp_path, {}))
    assert first.digest == load(settings(tmp_path, {})).digest


def test_the_digest_follows_what_is_said_not_how_it_is_written(tmp_path: Path) -> None:
    first = book(tmp_path, {"ours": HEAD + RULE}, {"corrie": SHEET}).digest
    commented = "# a remark\n" + HEAD + RULE.replace("days = 7", "days  =  7")
    assert book(tmp_path, {"ours": commented}, {"corrie": SHEET}).digest == first
    for packs, sheets in (
        ({"ours": changed("days = 7", "days = 8")}, {"corrie": SHEET}),
        ({"ours": changed("our own plan", "our own plan, page 2")}, {"corrie": SHEET}),
        ({"ours": HEAD}, {"corrie": SHEET}),
        ({"ours": HEAD + RULE}, {"corrie": SHEET + "standby_months = 48\n"}),
    ):
        assert book(tmp_path, packs, sheets).digest != first
