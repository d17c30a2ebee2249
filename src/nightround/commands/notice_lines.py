"""How notices and the units they mean are laid out for a person to read."""

from __future__ import annotations

from collections.abc import Sequence

from ..reckoning.notices import Finding
from ..rounds.notices import Looked
from .desk import Desk, counted

_FINDINGS = tuple(str(finding) for finding in Finding if finding is not Finding.CLEAR)


def lay_out(desk: Desk, looked: Sequence[Looked], older: dict[str, list[int]]) -> None:
    """In a terminal each notice with its units below it; piped, a line a notice and then a line a unit."""
    columns = ("notice", "version", "class", "action", "underway by", "complete by", *_FINDINGS, "title", "source")
    heads = ("notice", "unit", "site", "finding", "standing", "last good day", "why")
    if desk.out.is_terminal:
        for one in looked:
            for line in _heading(one, older[one.notice.reference]):
                desk.say(line)
            if rows := _rows(one):
                desk.table(heads[1:], [row[1:] for row in rows])
    else:
        desk.table(columns, [_line(one, older[one.notice.reference]) for one in looked])
        desk.table(heads, [row for one in looked for row in _rows(one)])
    total = sum(len(one.standings) for one in looked)
    desk.say(f"{counted(total, 'matter')} open." if total else "Nothing is open.")


def _heading(one: Looked, older: Sequence[int]) -> tuple[str, ...]:
    reference, version, _, action, underway_by, complete_by, *counts, title, source = _line(one, older)
    said = [f"{reference}, version {version}", one.notice.class_said, f"{title}"]
    asked = [
        f"{action}",
        f"underway by {underway_by}" if underway_by else "",
        f"complete by {complete_by}" if complete_by else "",
        "" if one.notice.closed_on else "then until fixed" if underway_by or complete_by else "until fixed",
        one.notice.what_to_do,
    ]
    found = [f"{count} {finding}" for count, finding in zip(counts, _FINDINGS, strict=True)]
    return (
        ": ".join(filter(None, said)),
        "; ".join(filter(None, asked)),
        f"Source: {source} ({one.notice.force}).",
        f"{', '.join(found)}.",
    )


def _line(one: Looked, older: Sequence[int]) -> tuple[object, ...]:
    notice = one.notice
    version = f"{notice.version} (before: {', '.join(map(str, older))})" if older else str(notice.version)
    action = f"{notice.action}; closed on {notice.closed_on}" if notice.closed_on else str(notice.action)
    counts = tuple(len(one.of(Finding(finding))) for finding in _FINDINGS)
    source = f"{notice.source}, published {notice.published_on}"
    grade = notice.grade or None
    return (
        notice.reference,
        version,
        grade,
        action,
        notice.underway_by,
        notice.complete_by,
        *counts,
        notice.title,
        source,
    )


def _rows(one: Looked) -> list[tuple[object, ...]]:
    reference = one.notice.reference
    rows: list[tuple[object, ...]] = [
        (
            reference,
            touched.unit,
            touched.site,
            f"{touched.finding}{f' on {touched.recorded_on}' if touched.recorded_on else ''}"
            f"{', unit withdrawn' if touched.withdrawn else ''}",
            touched.standing,
            touched.last_good_day or ("until fixed" if touched.standing else ""),
            touched.why,
        )
        for touched in one.units
    ]
    rows += [
        (
            reference,
            "spare",
            spares.site,
            str(spares.finding),
            spares.standing,
            spares.last_good_day or ("until fixed" if spares.standing else ""),
            spares.why,
        )
        for spares in one.spares
    ]
    return rows
