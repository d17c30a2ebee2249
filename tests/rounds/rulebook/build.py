"""Small builders for rule book tests: a settings file with folders of packs and sheets beside it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from nightround.rounds.rulebook import RuleBook, load
from nightround.settings import Settings

HEAD = '[pack]\ntitle = "Ours"\n'
RULE = """
[[rule]]
id = "ours-look"
title = "We look each week"
subject = "look"
shape = { days = 7 }
force = "house"
source = "our own plan"
verified_on = 2026-11-25
"""
SHEET = """
model = "Corrie 3"
source = "its manual, page 12"
verified_on = 2026-11-25
"""


def settings(where: Path, own: Mapping[str, str], sheets: Mapping[str, str] | None = None, **rules: object) -> Settings:
    """Settings with these packs (name → text) and sheets in their own folders."""
    for kind, files in (("rules", own), ("models", sheets or {})):
        (where / kind).mkdir(exist_ok=True)
        for name, text in files.items():
            (where / kind / f"{name}.toml").write_text(text, encoding="utf-8")
    return Settings(folder=where, rules={"folder": "rules", "models": "models"} | rules)  # type: ignore[arg-type]


def book(where: Path, own: Mapping[str, str], sheets: Mapping[str, str] | None = None, **rules: object) -> RuleBook:
    return load(settings(where, own, sheets, **rules))


def changed(old: str, new: str) -> str:
    """One good pack with one thing changed."""
    assert old in HEAD + RULE
    return (HEAD + RULE).replace(old, new)
