"""Every kind of letter there is: three files, escaped, strict, and fit for the mail programs that people use."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from nightround.errors import UserError
from nightround.letters.templates import render, tidy
from nightround.resources import shipped
from nightround.settings import Settings

from ...conftest import START
from ..samples import gathered
from ..samples.test import CONTENT

FOLDER = shipped("templates")
KINDS = sorted(path.name.removesuffix(".subject.txt") for path in FOLDER.glob("*.subject.txt"))
HOSTILE = "<b id=hostile>&\"'</b>"
Contents = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def contents(tmp_path_factory: pytest.TempPathFactory) -> Contents:
    """What the templates of each kind are given."""
    return gathered(tmp_path_factory.mktemp("samples"))


def test_every_kind_of_letter_has_a_sample(contents: Contents) -> None:
    assert sorted(contents) == KINDS


def changed(value: Any, change: Callable[[str], str]) -> Any:
    """The content with every string changed, save addresses of pages and names of time zones."""
    if isinstance(value, str):
        return value if value.startswith("http") or "/" in value or value == "UTC" else change(value)
    if isinstance(value, dict):
        return {key: changed(item, change) for key, item in value.items()}
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return type(value)(*(changed(item, change) for item in value))
    if isinstance(value, list | tuple):
        return type(value)(changed(item, change) for item in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {field.name: changed(getattr(value, field.name), change) for field in dataclasses.fields(value)}
        return type(value)(**fields)
    return value


class Tags(HTMLParser):
    """The tags of a document, each with its attributes."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def named(self, *names: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.found if tag in names]


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_is_three_small_files_on_the_common_base(kind: str) -> None:
    assert '{% extends "base.txt" %}' in (FOLDER / f"{kind}.txt").read_text("utf-8")
    assert '{% extends "base.html" %}' in (FOLDER / f"{kind}.html").read_text("utf-8")


@pytest.mark.parametrize("kind", KINDS)
def test_what_stands_in_the_register_is_escaped_in_html_and_left_alone_in_text(
    settings: Settings, contents: Contents, kind: str
) -> None:
    words = render(settings, kind, changed(contents[kind], lambda value: value + HOSTILE), "Ann " + HOSTILE, START)
    assert HOSTILE not in words.html
    assert [attributes for attributes in Tags(words.html).named("b") if "id" in attributes] == []
    assert "&lt;b id=hostile&gt;&amp;" in words.html
    assert HOSTILE in " ".join(words.text.split())
    assert "&lt;" not in words.text and "&lt;" not in words.subject


@pytest.mark.parametrize("kind", KINDS)
def test_the_text_part_has_no_tags_and_no_runs_of_empty_lines(
    settings: Settings, contents: Contents, kind: str
) -> None:
    words = render(settings, kind, contents[kind], "Ann", START)
    assert not re.search(r"</?[a-z]+[ >]", words.text)
    assert "\n\n\n" not in words.text and not words.text.startswith("\n")
    assert "{%" not in words.text and "{{" not in words.text
    assert "\n" not in words.subject and words.subject


@pytest.mark.parametrize("kind", KINDS)
def test_the_html_part_stands_without_images_scripts_and_style_sheets(
    settings: Settings, contents: Contents, kind: str
) -> None:
    html = render(settings, kind, contents[kind], "Ann", START).html
    tags = Tags(html)
    assert tags.named("img", "script", "link", "iframe", "form", "svg") == []
    # Only what is for dark mode stays in the head; everything else is written into the tags.
    assert html.count("<style>") == 1
    head = html[html.index("<style>") : html.index("</style>")]
    assert head.replace("<style>", "").lstrip().startswith("@media (prefers-color-scheme: dark)")
    for cell in tags.named("td", "table"):
        width = cell.get("width")
        assert width is None or re.fullmatch(r"\d+%?", width), "widths are without a unit"
        style = cell.get("style") or ""
        if re.search(r"(?<!-)\bcolor:", style):
            assert "background-color:" in style, "text and background are set together"


@pytest.mark.parametrize("kind", KINDS)
def test_a_letter_says_the_cautions_in_both_parts(settings: Settings, contents: Contents, kind: str) -> None:
    words = render(settings, kind, contents[kind], "Ann", START)
    for part in (" ".join(words.text.split()), words.html):
        assert "In an emergency call the emergency number first" in part
        assert "not legal or medical advice" in part


@pytest.mark.parametrize("kind", KINDS)
def test_content_cannot_forge_lines_of_the_text_part(settings: Settings, contents: Contents, kind: str) -> None:
    plain = changed(contents[kind], lambda value: value + " forged line")
    forged = changed(contents[kind], lambda value: value + "\r\n\u2028forged line")
    assert render(settings, kind, forged, "Ann", START).text == render(settings, kind, plain, "Ann", START).text


def own_templates(settings: Settings, folder: Path, **files: str) -> Settings:
    for name, content in files.items():
        (folder / name.replace("__", ".")).write_text(content, "utf-8")
    return settings.model_copy(update={"letters": settings.letters.model_copy(update={"templates": folder})})


def test_a_name_that_the_content_does_not_hold_is_an_error_and_no_blank(settings: Settings, tmp_path: Path) -> None:
    mine = own_templates(settings, tmp_path, test__txt="Dear {{ readr }}")
    with pytest.raises(UserError, match="readr"):
        render(mine, "test", CONTENT, "Ann", START)


def test_a_broken_template_is_named_with_its_line(settings: Settings, tmp_path: Path) -> None:
    mine = own_templates(settings, tmp_path, test__txt="one\n{% if %}")
    with pytest.raises(UserError, match=r"test\.txt, line 2"):
        render(mine, "test", CONTENT, "Ann", START)


def test_a_missing_template_is_named(settings: Settings) -> None:
    with pytest.raises(UserError, match=r"nothing\.subject\.txt is missing"):
        render(settings, "nothing", {}, "Ann", START)


def test_a_template_of_ones_own_takes_the_place_of_the_shipped_one(settings: Settings, tmp_path: Path) -> None:
    mine = own_templates(settings, tmp_path, test__subject__txt="Ours: {{ fleet_name }}")
    words = render(mine, "test", CONTENT, "Ann", START)
    assert words.subject == "Ours: Test fleet"
    assert "This is a test" in words.text


def test_escaping_is_on_for_whatever_is_not_plain_text_by_its_name(settings: Settings, tmp_path: Path) -> None:
    # select_autoescape() leaves names such as x.html.j2 unescaped.
    (tmp_path / "piece.html.j2").write_text("{{ reader }}", "utf-8")
    mine = own_templates(settings, tmp_path, test__html='{% include "piece.html.j2" %}')
    assert "<b>" not in render(mine, "test", CONTENT, "<b>Ann", START).html


def test_strings_become_one_line_however_deep_they_lie() -> None:
    assert tidy({"a": [("x\ny", 1), {"b": "\x07c"}], "d": None}) == {"a": [("x y", 1), {"b": "c"}], "d": None}
