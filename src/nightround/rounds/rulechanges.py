"""Says once that the rule book is another than that of the round before: which packs, and how many duties are theirs.

Compares what the last round noted with what this one used; it never decides whether a rule binds.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from ..store import happenings
from ..store.happenings import Happening, Kind
from ..store.recalling import notes
from ..store.tables import beats, duties
from .rulebook import RuleBook

NAMED = 6  # packs named one by one
_NOTED = select(beats.c.note).where(beats.c.name == happenings.RULES)


def note(conn: Connection, book: RuleBook, now: datetime) -> Happening | None:
    """Notes the book that a round has just used; gives what was written down where it is another than before.

    To be called when the round's duties are written, in its own unit of work: they are counted.
    """
    known = notes(conn, "rules")
    if known is not None and known.get("digest") == book.digest:
        return None
    noted = conn.execute(_NOTED).scalar_one_or_none()
    kept: dict[str, Any] = json.loads(noted) if noted else {}
    if kept.get("digest") == book.digest:
        if known is not None:
            known["digest"] = book.digest
        return None
    present = described(book)
    happenings.mark(conn, happenings.RULES, now, json.dumps(present, sort_keys=True, ensure_ascii=False), turned=True)
    if not kept:
        return None
    changed = _changed_rules(kept, present)
    count = _duties_under(conn, changed) if changed else 0
    return happenings.record(conn, Kind.RULES_CHANGED, sentence(kept, present, count), now)


def described(book: RuleBook) -> dict[str, Any]:
    """What is kept of a rule book: its digest, each pack's title and rules with a digest of each, and the sheets'."""
    packs = {
        pack.name: {"title": pack.title, "rules": {rule.id: _digest(rule._asdict()) for rule in pack.rules}}
        for pack in book.packs
    }
    sheets = {name: _digest(sheet._asdict()) for name, sheet in book.sheets.items()}
    return {"digest": book.digest, "packs": packs, "sheets": _digest(sheets)}


def sentence(kept: Mapping[str, Any], present: Mapping[str, Any], duties_now: int) -> str:
    """What changed from one book to the other, in words."""
    before, after = kept["packs"], present["packs"]
    found = []
    for word, names in (
        ("added", [name for name in after if name not in before]),
        ("taken out", [name for name in before if name not in after]),
        ("changed", [name for name in after if name in before and after[name]["rules"] != before[name]["rules"]]),
    ):
        if names:
            what = "1 pack" if len(names) == 1 else f"{len(names)} packs"
            more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
            titles = "; ".join(_title(name, before, after) for name in sorted(names)[:NAMED])
            found.append(f"{what} {word} ({titles}{more})")
    if kept["sheets"] != present["sheets"]:
        found.append("the model sheets changed")
    said = f"The rules changed: {', '.join(found) or 'another order of packs'}."
    if duties_now:
        said += f" {'1 duty is' if duties_now == 1 else f'{duties_now} duties are'} now reckoned by what is new."
    return f"{said} This is not legal advice; each duty names its rule and source."


def _title(name: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    title = (after.get(name) or before[name])["title"]
    return f"{name}: {title}" if title else name


def _changed_rules(kept: Mapping[str, Any], present: Mapping[str, Any]) -> set[str]:
    """The ids of rules that are new, or say something else than before."""
    before = dict(_rules(kept["packs"].values()))
    return {rule for rule, digest in _rules(present["packs"].values()) if before.get(rule) != digest}


def _rules(packs: Iterable[Mapping[str, Any]]) -> Iterable[tuple[str, str]]:
    for pack in packs:
        yield from pack["rules"].items()


def _duties_under(conn: Connection, rules: set[str]) -> int:
    """How many duties are reckoned by one of these rules first of all. Reads every duty; only after a change."""
    count = 0
    for text in conn.execute(select(duties.c.because), execution_options={"yield_per": 2000}).scalars():
        reasons = json.loads(text)
        count += bool(reasons) and reasons[0].get("rule") in rules
    return count


def _digest(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]
