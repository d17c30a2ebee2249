"""Every kind of letter there is: three files, escaped, strict, and fit for the mail programs that people use."""

from __future__ import annotations

import importlib
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

FOLDER = shipped("templates")
SAMPLES = {path.stem.replace("_", "-") for path in (Path(__file__).parents[1] / "samples").glob("[!_]*.py")}
KINDS = sorted(SAMPLES)
HOSTILE = "<b>&\"'</b>"


def sample(kind: str) -> dict[str, Any]:
    """What the templates of that kind are given, from `tests/letters/samples`."""
    module = importlib.import_module(f"tests.letters.samples.{kind.replace('-', '_')}")
    return dict(module.CONTENT)


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
def test_what_stands_in_the_register_is_escaped_in_html_and_left_alone_in_text(settings: Settings, kind: str) -> None:
    words = render(settings, kind, changed(sample(kind), lambda value: value + HOSTILE), "Ann " + HOSTILE, START)
    assert HOSTILE not in words.html
    assert len(re.findall(r"<b>&(?!amp;)", words.html)) == 0
    assert "&lt;b&gt;&amp;" in words.html
    assert HOSTILE in " ".join(words.text.split())
    assert "&lt;" not in words.text and "&lt;" not in words.subject


@pytest.mark.parametrize("kind", KINDS)
def test_the_text_part_has_no_tags_and_no_runs_of_empty_lines(settings: Settings, kind: str) -> None:
    words = render(settings, kind, sample(kind), "Ann", START)
    assert not re.search(r"</?[a-z]+[ >]", words.text)
    assert "\n\n\n" not in words.text and not words.text.startswith("\n")
    assert "{%" not in words.text and "{{" not in words.text
    assert "\n" not in words.subject and words.subject


@pytest.mark.parametrize("kind", KINDS)
def test_the_html_part_stands_without_images_scripts_and_style_sheets(settings: Settings, kind: str) -> None:
    html = render(settings, kind, sample(kind), "Ann", START).html
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
def test_a_letter_says_the_cautions_in_both_parts(settings: Settings, kind: str) -> None:
    words = render(settings, kind, sample(kind), "Ann", START)
    for part in (" ".join(words.text.split()), words.html):
        assert "In an emergency call 112 first" in part
        assert "not legal or medical advice" in part


@pytest.mark.parametrize("kind", KINDS)
def test_content_cannot_forge_lines_of_the_text_part(settings: Settings, kind: str) -> None:
    plain = changed(sample(kind), lambda value: value + " forged line")
    forged = changed(sample(kind), lambda value: value + "\r\n\u2028forged line")
    assert render(settings, kind, forged, "Ann", START).text == render(settings, kind, plain, "Ann", START).text


def own_templates(settings: Settings, folder: Path, **files: str) -> Settings:
    for name, content in files.items():
        (folder / name.replace("__", ".")).write_text(content, "utf-8")
    return settings.model_copy(update={"letters": settings.letters.model_copy(update={"templates": folder})})


def test_a_name_that_the_content_does_not_hold_is_an_error_and_no_blank(settings: Settings, tmp_path: Path) -> None:
    mine = own_templates(settings, tmp_path, test__txt="Dear {{ readr }}")
    with pytest.raises(UserError, match="readr"):
        render(mine, "test", sample("test"), "Ann", START)


def test_a_broken_template_is_named_with_its_line(settings: Settings, tmp_path: Path) -> None:
    mine = own_templates(settings, tmp_path, test__txt="one\n{% if %}")
    with pytest.raises(UserError, match=r"test\.txt, line 2"):
        render(mine, "test", sample("test"), "Ann", START)


def test_a_missing_template_is_named(settings: Settings) -> None:
    with pytest.raises(UserError, match=r"nothing\.subject\.txt is missing"):
        render(settings, "nothing", {}, "Ann", START)


def test_a_template_of_ones_own_takes_the_place_of_the_shipped_one(settings: Settings, tmp_path: Path) -> None:
    mine = own_templates(settings, tmp_path, test__subject__txt="Ours: {{ fleet_name }}")
    words = render(mine, "test", sample("test"), "Ann", START)
    assert words.subject == "Ours: Test fleet"
    assert "This is a test" in words.text


def test_escaping_is_on_for_whatever_is_not_plain_text_by_its_name(settings: Settings, tmp_path: Path) -> None:
    # select_autoescape() leaves names such as x.html.j2 unescaped.
    (tmp_path / "piece.html.j2").write_text("{{ reader }}", "utf-8")
    mine = own_templates(settings, tmp_path, test__html='{% include "piece.html.j2" %}')
    assert "<b>" not in render(mine, "test", sample("test"), "<b>Ann", START).html


def test_strings_become_one_line_however_deep_they_lie() -> None:
    assert tidy({"a": [("x\ny", 1), {"b": "\x07c"}], "d": None}) == {"a": [("x y", 1), {"b": "c"}], "d": None}
