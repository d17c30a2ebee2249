"""The register's own words (part kinds, states, roles, log entries, readings) and how people write them elsewhere.

English, German, French and Japanese; anything that is not in the list is refused with the words that are.
"""

from __future__ import annotations

import re
from difflib import get_close_matches
from functools import cache
from zoneinfo import available_timezones

from .. import addresses
from ..reckoning.readings import NUMBERS, WORDS, is_word, meant, understood
from .cells import Cell, Refused, bare, code, line, plain, split_pairs, words
from .headings import normal
from .log import ENTRIES

KINDS = ("pads-adult", "pads-child", "pads-universal", "battery")
STATES = ("fitted", "spare", "removed")
ROLES = ("coordinator", "site-contact", "on-call", "manager", "responder")
_KIND = {
    "pads-adult": "adult pads; pads; electrodes; adult electrodes; elektroden; elektroden erwachsene; pads erwachsene; "
    "électrodes; électrodes adulte; électrodes adultes; パッド; 電極パッド; 成人用パッド; パッド(成人)",
    "pads-child": "child pads; paediatric pads; pediatric pads; elektroden kinder; kinderelektroden; pads kinder; "
    "électrodes enfant; électrodes enfants; électrodes pédiatriques; 小児用パッド; パッド(小児)",
    "pads-universal": "universal pads; universalelektroden; électrodes universelles; 共用パッド; 兼用パッド",
    "battery": "batterie; akku; pile; バッテリー; バッテリ; 電池",
}
_STATE = {
    "fitted": "in use; installed; in; eingesetzt; eingebaut; en place; posé; posée; installé; installée; 装着; 装着中; "
    "使用中",
    "spare": "reserve; ersatz; rechange; réserve; en réserve; 予備",
    "removed": "taken out; ausgebaut; entfernt; retiré; retirée; 取外し; 撤去",
}
_ROLE = {
    "coordinator": "koordinator; koordinatorin; coordinateur; coordinatrice; 統括; 管理責任者",
    "site-contact": "contact; ansprechpartner; ansprechpartnerin; standortkontakt; contact du site; référent; "
    "référente; 担当者; 点検担当者",
    "on-call": "bereitschaft; rufbereitschaft; astreinte; d'astreinte; 当番",
    "manager": "leitung; leiter; leiterin; responsable; gestionnaire; 管理者; 責任者",
    "responder": "first aider; trained person; ersthelfer; ersthelferin; secouriste; sauveteur; 救助者; 救護者",
}
_ENTRY = {
    "check": "checked; inspection; prüfung; geprüft; kontrolle; sichtprüfung; contrôle; contrôlé; vérification; 点検",
    "ordered": "order; bestellt; bestellung; commandé; commande; 発注; 注文",
    "fitted": "replaced; eingesetzt; gewechselt; posé; remplacé; 装着; 交換",
    "removed": "ausgebaut; entfernt; retiré; enlevé; 取外し",
    "used": "use; eingesetzt am patienten; benutzt; verwendet; utilisé; utilisation; 使用",
    "fault": "failure; störung; defekt; fehler; panne; défaut; 故障; 異常",
    "withdrawn": "out of service; außer betrieb; hors service; 使用停止; 撤去",
    "returned": "back in service; wieder in betrieb; remis en service; 再開; 復帰",
    "moved": "relocated; versetzt; umgesetzt; déplacé; 移設; 移動",
    "reported": "report; gemeldet; meldung; signalé; déclaré; 報告",
    "downloaded": "download; ausgelesen; téléchargé; 読出し; データ取得",
    "corrected": "notice carried out; behoben; nachgerüstet; corrigé; remédié; 是正; 改修",
    "struck": "gestrichen; annulé; 取消",
}


def _spread(known: dict[str, str]) -> dict[str, str]:
    others = {normal(word): name for name, line in known.items() for word in line.split(";")}
    return others | {normal(name): name for name in known}


_KIND_WORDS, _STATE_WORDS = _spread(_KIND), _spread(_STATE)
_ROLE_WORDS, _ENTRY_WORDS = _spread(_ROLE), _spread(_ENTRY)
_READINGS = {normal(name): name for name in (*WORDS, *NUMBERS)}
_KIT = re.compile(r"kit-[a-z0-9-]{1,27}")


@cache
def _zones() -> dict[str, str]:
    return {name.casefold(): name for name in available_timezones()}


def kind(cell: Cell) -> str | None:
    """A part's kind."""
    text = plain(bare(cell)).casefold()
    if _KIT.fullmatch(text):
        return text
    return _word(cell, _KIND_WORDS, "a kind of part", (*KINDS, "kit-razor (or another kit-…)"))


def state(cell: Cell) -> str | None:
    """Whether a part is fitted, a spare or removed."""
    return _word(cell, _STATE_WORDS, "a part's state", STATES)


def roles(cell: Cell) -> tuple[str, ...] | None:
    """A person's roles, each once, in the order written."""
    found = [_word(item, _ROLE_WORDS, "a role", ROLES) for item in words(bare(cell))]
    return tuple(dict.fromkeys(word for word in found if word)) or None


def codes(cell: Cell) -> tuple[str, ...] | None:
    """A list of codes, each once; `*` alone stands for all."""
    if not isinstance(cell, str):
        found = code(cell)
        return (found,) if found else None
    return tuple(dict.fromkeys(item for part in words(bare(cell)) if (item := code(part)))) or None


def entry(cell: Cell) -> str | None:
    """What kind of log entry it is."""
    return _word(cell, _ENTRY_WORDS, "a log entry", ENTRIES)


def readings(cell: Cell) -> dict[str, str] | None:
    """The readings of a check, each a word that the reading can have; readings of one's own may have any."""
    pairs = split_pairs(cell)
    if pairs is None:
        return None
    found: dict[str, str] = {}
    for name, value in pairs.items():
        name = _READINGS.get(normal(name), name)
        if name in WORDS:
            value = plain(value).lower().replace(" ", "")
        if name in found:
            raise Refused(f"says {name} twice; take one out")
        if close := meant(name):
            raise Refused(f"{name} is not known; did you mean {close}?")
        if not is_word(name, value):
            raise Refused(f"{name}={value} is not understood; {name} is {understood(name)}")
        found[name] = value
    return found


def details(cell: Cell) -> dict[str, str] | None:
    """The part that a log entry is about: kind, lot, label_date, expected, note."""
    pairs = split_pairs(cell)
    if pairs is not None and "kind" in pairs:
        pairs["kind"] = kind(pairs["kind"]) or ""
    return pairs


def zone(cell: Cell) -> str | None:
    """An IANA time zone."""
    text = plain(bare(cell))
    if not text:
        return None
    name = text.replace(" ", "_").casefold()
    found = _zones().get(name)
    if found is None:
        close = get_close_matches(name, _zones(), 1, 0.75)
        hint = f"; did you mean {_zones()[close[0]]}?" if close else ""
        raise Refused(f"is no time zone known here; write an IANA name such as Europe/Berlin{hint}")
    return found


def country(cell: Cell) -> str | None:
    """A country by its two letters (ISO 3166-1)."""
    text = plain(bare(cell)).upper()
    if not text:
        return None
    if not re.fullmatch(r"[A-Z]{2}", text):
        raise Refused("is no country code; write the two letters of ISO 3166-1, such as DE")
    return text


def subdivision(cell: Cell) -> str | None:
    """A state or province by ISO 3166-2, with or without the country before it."""
    text = re.sub(r"^[A-Z]{2}-", "", plain(bare(cell)).upper())
    if not text:
        return None
    if not re.fullmatch(r"[A-Z0-9]{1,3}", text):
        raise Refused("is no code of a state or province; write that of ISO 3166-2, such as CA for US-CA")
    return text


def email(cell: Cell) -> str | None:
    """A mail address. Looks nothing up."""
    text = line(cell)
    if text is None:
        return None
    if addresses.read(text) is None:
        raise Refused("is no mail address; write one such as name@example.org, or leave the cell empty")
    return text


def lower(cell: Cell) -> str | None:
    """A word kept in lower case: a site's type, a language."""
    text = line(cell)
    return None if text is None else plain(text).lower()


def _word(cell: Cell, known: dict[str, str], what: str, ours: tuple[str, ...]) -> str | None:
    text = line(cell)
    if text is None:
        return None
    found = known.get(normal(text))
    if found is None:
        raise Refused(f"is not {what} known here; write one of: {', '.join(ours)}")
    return found
