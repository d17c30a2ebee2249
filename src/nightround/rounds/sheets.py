"""Reads one model sheet: a TOML file with what a device model needs, written down from its manual.

What a sheet does not say stays unsaid; nothing is filled in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TypeVar, overload

from ..reckoning.rules import ModelSheet, Shape, Subject
from ..register.tomlfile import Table, meant
from .shapes import read_shape, spans_of_a_sheet

PADS = ("pads-adult", "pads-child", "pads-universal")
KEPT = 4096  # spellings remembered at most
T = TypeVar("T")
_SUBJECTS = (Subject.LOOK, Subject.TEST, Subject.INSPECTION, Subject.SELF_TEST)


class Sheets(Mapping[str, ModelSheet]):
    """Model sheets by model name. Case and spacing of the name are ignored, as a register's spelling varies."""

    def __init__(self, named: Iterable[tuple[str, ModelSheet]] = ()) -> None:
        self._by_name = {plain(name): sheet for name, sheet in named}
        self._asked: dict[str, ModelSheet | None] = {}

    @overload
    def get(self, model: str, default: None = None, /) -> ModelSheet | None: ...
    @overload
    def get(self, model: str, default: ModelSheet | T, /) -> ModelSheet | T: ...
    def get(self, model: str, default: object = None, /) -> object:
        """The sheet, or the default. Asked once for each unit of a fleet, so spellings are remembered."""
        try:
            found = self._asked[model]
        except KeyError:
            if len(self._asked) >= KEPT:
                self._asked.clear()
            found = self._asked[model] = self._by_name.get(plain(model))
        return default if found is None else found

    def __getitem__(self, model: str) -> ModelSheet:
        return self._by_name[plain(model)]

    def __iter__(self) -> Iterator[str]:
        return iter(self._by_name)

    def __len__(self) -> int:
        return len(self._by_name)


def plain(model: str) -> str:
    """A model's name with case and spacing levelled: what two spellings of one model have in common."""
    return " ".join(model.casefold().split())


def read_sheet(top: Table) -> tuple[tuple[str, ...], ModelSheet] | None:
    """The names the model goes by, the first its own, and its sheet; None where it is not whole."""
    before = len(top.problems)
    model = top.text("model", required=True)
    also = top.texts("also")
    source = top.text("source", required=True)
    verified_on = top.day("verified_on", required=True)
    standby = top.number("standby_months", 1, 240)
    pads = top.texts("pads")
    for kind in pads:
        if kind not in PADS:
            top.wrong("pads", f"{kind!r} is not known{meant(kind, PADS)}; write any of: {', '.join(PADS)}")
    by_switch = top.yes("child_by_switch")
    if by_switch and "pads-child" in pads:
        top.wrong("child_by_switch", "a model that changes by a switch needs no pads-child; take one of the two out")
    kit = top.texts("kit")
    for kind in kit:
        if not kind.startswith("kit-") or kind == "kit-":
            top.wrong("kit", f"{kind!r} is not a kit part; write kit- and its name, such as kit-razor")
    bars = top.number("battery_bars", 1, 20)
    events, hours = top.number("memory_events", 1, 1000), top.number("memory_hours_each", 1, 1000)
    shocks, minutes = top.number("rated_shocks", 1, 100_000), top.number("rated_minutes", 1, 1_000_000)
    doubling = top.number("doubling_celsius", 1, 100)
    if (shocks is not None or minutes is not None) and standby is None and not top.holds("standby_months"):
        named = "rated_shocks" if shocks is not None else "rated_minutes"
        top.wrong(named, "tells nothing without standby_months; write that too, or take this out")
    if doubling is not None and shocks is None and minutes is None:
        top.wrong(
            "doubling_celsius", "tells nothing without rated_shocks or rated_minutes; write one, or take this out"
        )
    coldest, warmest = top.number("min_celsius", -60, 60), top.number("max_celsius", -20, 90)
    if coldest is not None and warmest is not None and warmest <= coldest:
        top.wrong("max_celsius", f"{warmest} is not above min_celsius, {coldest}; correct one of them")
    intervals = _intervals(top)
    top.finish()
    if len(top.problems) > before or verified_on is None:
        return None
    sheet = ModelSheet(
        model=model,
        source=source,
        verified_on=verified_on,
        standby_months=standby,
        pads=pads,
        child_by_switch=by_switch,
        kit=kit,
        battery_bars=bars,
        intervals=intervals,
        memory_events=events,
        memory_hours_each=hours,
        rated_shocks=shocks,
        rated_minutes=minutes,
        doubling_celsius=doubling or 10,
        min_celsius=coldest,
        max_celsius=warmest,
    )
    return (model, *also), sheet


def _intervals(top: Table) -> tuple[tuple[str, Shape], ...]:
    table = top.table("intervals")
    if table is None:
        return ()
    found = []
    for subject in _SUBJECTS:
        if table.holds(subject.value):
            shape = read_shape(table, subject.value, spans_of_a_sheet())
            if shape is not None:
                found.append((subject.value, shape))
        else:
            table.value(subject.value)  # known, and silent
    table.finish()
    return tuple(found)
