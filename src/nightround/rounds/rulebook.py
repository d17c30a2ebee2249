"""The rule book: every rule pack and model sheet in use, read whole or not at all.

A faulty pack never costs only its faulty rule: a duty would go missing without a word. So everything that is wrong, in
all files, is said in one error, and nothing is loaded until it is put right.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from .. import files
from ..errors import UserError
from ..reckoning.rules import ModelSheet, Rule
from ..register.tomlfile import Table, meant, read
from ..resources import shipped
from ..settings import Settings
from .packs import Pack, read_pack
from .sheets import Sheets, plain, read_sheet

EVERY = "*"


@dataclass(frozen=True)
class RuleBook:
    """What is in use. `digest` changes when any rule or sheet does, and with nothing else."""

    rules: tuple[Rule, ...]
    sheets: Sheets
    digest: str
    packs: tuple[Pack, ...] = field(default=(), compare=False)

    def rule(self, rule_id: str) -> Rule:
        """The rule of that name. Raises KeyError where there is none."""
        for rule in self.rules:
            if rule.id == rule_id:
                return rule
        raise KeyError(rule_id)


def load(settings: Settings) -> RuleBook:
    """The packs and sheets that the settings name. Raises one UserError that tells all that is wrong.

    Every file is read every time; only where none has changed since is what was understood then given again.
    """
    mark = _mark(settings)
    known = _kept.get(mark)
    if known is not None:
        return known
    book = _understood(settings)
    if mark == _mark(settings):  # else somebody is changing a file just now
        while len(_kept) >= _KEPT_BOOKS:
            _kept.pop(next(iter(_kept)), None)
        _kept[mark] = book
    return book


_KEPT_BOOKS = 4
_kept: dict[str, RuleBook] = {}


def _mark(settings: Settings) -> str:
    """Changes with every byte of the files and with the settings that choose among them."""
    found = hashlib.sha256(json.dumps(settings.rules.packs).encode("utf-8"))
    for kind, folder in (("rules", settings.rules.folder), ("models", settings.rules.models)):
        own = None if folder is None else settings.path(folder)
        found.update(f"\0{kind}\0{own}".encode())
        for path in sorted((*shipped(kind).glob("*.toml"), *([] if own is None else own.glob("*.toml")))):
            try:
                body = files.read_bytes(path)
            except (OSError, files.Unfit) as error:
                body = repr(error).encode("utf-8")
            found.update(f"\0{path}\0{len(body)}\0".encode() + body)
    return found.hexdigest()


def _understood(settings: Settings) -> RuleBook:
    problems: list[str] = []
    packs = _packs(settings, problems)
    sheets = _sheets(settings, problems)
    if problems:
        raise UserError(_told(problems))
    rules = tuple(sorted((rule for pack in packs for rule in pack.rules), key=lambda rule: rule.id))
    by_model = Sheets(sheets)
    return RuleBook(rules, by_model, _digest(rules, by_model), packs)


def _packs(settings: Settings, problems: list[str]) -> tuple[Pack, ...]:
    files = _files("rules", settings, "rules.folder", settings.rules.folder, problems)
    wanted = _wanted(settings.rules.packs, list(files), problems)
    # Packs that are not in use are read for their rules' names only: `replaces` may name those too.
    idle: list[str] = []
    found: list[Pack] = []
    others: list[Pack] = []
    for name, (path, called) in files.items():
        top = read(path, called, problems if name in wanted else idle)
        if top is not None:
            (found if name in wanted else others).append(read_pack(name, top))
    _cross_check(found, {rule.id for pack in others for rule in pack.rules}, problems)
    return tuple(found)


def _wanted(names: list[str], known: list[str], problems: list[str]) -> set[str]:
    if not names:
        problems.append('setting rules.packs: is empty, so that nothing would ever be owed; write ["*"] for every pack')
    wanted: set[str] = set()
    for name in names:
        if name == EVERY:
            wanted.update(known)
        elif name in known:
            wanted.add(name)
        else:
            listed = ", ".join(known)
            problems.append(f"setting rules.packs: no pack {name!r}{meant(name, known)}; there are: {listed}")
    return wanted


def _sheets(settings: Settings, problems: list[str]) -> list[tuple[str, ModelSheet]]:
    files = _files("models", settings, "rules.models", settings.rules.models, problems)
    named: list[tuple[str, ModelSheet]] = []
    first: dict[str, str] = {}
    for path, called in files.values():
        top = read(path, called, problems)
        sheet = read_sheet(top) if top is not None else None
        if sheet is None:
            continue
        for name in sheet[0]:
            there = first.setdefault(plain(name), called)
            if there != called:
                problems.append(f"{called}, key model: {name!r} has a sheet in {there} already; keep one of the two")
            named.append((name, sheet[1]))
    return named


def _files(
    kind: str, settings: Settings, key: str, folder: Path | None, problems: list[str]
) -> dict[str, tuple[Path, str]]:
    """Name → file and what to call it; one in the operator's folder takes the place of the shipped one."""
    files = {path.stem: (path, path.name) for path in shipped(kind).glob("*.toml")}
    if folder is not None:
        own = settings.path(folder)
        if not own.is_dir():
            problems.append(f"setting {key}: there is no folder {own}; make it or correct the setting")
        else:
            files |= {path.stem: (path, str(path)) for path in own.glob("*.toml")}
    return dict(sorted(files.items()))


def _cross_check(packs: list[Pack], idle: set[str], problems: list[str]) -> None:
    where: dict[str, tuple[Rule, str]] = {}
    for pack in packs:
        for rule in pack.rules:
            if rule.id in where:
                there = where[rule.id][1]
                problems.append(f"{pack.file}, rule {rule.id}, key id: is taken by a rule in {there}; choose another")
            else:
                where[rule.id] = (rule, pack.file)
    for rule, file in where.values():
        table = Table({}, f"{file}, rule {rule.id}", problems)
        for target in rule.replaces:
            if target in where:
                _check_replacing(table, rule, where[target][0], where)
            elif target not in idle:
                close = meant(target, where)
                table.wrong("replaces", f"there is no rule {target!r}{close}; correct the name or take it out")


def _check_replacing(table: Table, rule: Rule, target: Rule, where: dict[str, tuple[Rule, str]]) -> None:
    """A rule stands in for another only where that one binds too, and for the same thing; else a duty would vanish."""
    if target.id == rule.id:
        table.wrong("replaces", "a rule cannot replace itself; take it out")
    elif target.subject is not rule.subject:
        said = f"{target.id} is about {target.subject}, this rule about {rule.subject}"
        table.wrong("replaces", f"{said}; replace a rule of the same subject")
    elif not _inside(rule, target):
        cure = "give this rule the country, subdivision and site types of the other, or narrower ones"
        table.wrong("replaces", f"{target.id} is for fewer places than this rule; {cure}")
    elif rule.id in _reached(target, where):
        table.wrong("replaces", f"{target.id} replaces this rule in turn, so that neither would bind; take one out")


def _inside(narrow: Rule, wide: Rule) -> bool:
    return (
        wide.country in ("", narrow.country)
        and wide.subdivision in ("", narrow.subdivision)
        and (not wide.site_types or (bool(narrow.site_types) and set(narrow.site_types) <= set(wide.site_types)))
    )


def _reached(rule: Rule, where: dict[str, tuple[Rule, str]]) -> set[str]:
    reached: set[str] = set()
    waiting = list(rule.replaces)
    while waiting:
        name = waiting.pop()
        if name in where and name not in reached:
            reached.add(name)
            waiting += where[name][0].replaces
    return reached


def _digest(rules: Iterable[Rule], sheets: Sheets) -> str:
    content = [[rule._asdict() for rule in rules], {name: sheet._asdict() for name, sheet in sheets.items()}]
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _told(problems: list[str]) -> str:
    if len(problems) == 1:
        return problems[0]
    return f"{len(problems)} things are wrong in rule packs and model sheets:\n" + "\n".join(problems)
