"""What a file says of a unit's being in service: the words for yes, for withdrawn and for broken. It never guesses.

English, German, French and Japanese. A word that is in no list is no good news.
"""

from __future__ import annotations

import re
from datetime import date

from .cells import Cell, Refused, bare, flag, line
from .days import Days
from .headings import normal

GOOD, WITHDRAWN, FAULT = "in service", "withdrawn", "fault"

_WORDS = {
    GOOD: "ok; okay; good; very good; fine; new; neu; neuf; in service; in use; in operation; operational; "
    "operating; working; functional; functioning; serviceable; ready; rescue ready; ready for use; available; "
    "active; deployed; installed; normal; passed; bestanden; réussi; "
    "in ordnung; i.o.; io; gut; in betrieb; im einsatz; einsatzbereit; "
    "einsatzfähig; betriebsbereit; bereit; funktionsfähig; funktionstüchtig; verfügbar; aktiv; installiert; bon; "
    "bon état; bien; en service; en fonctionnement; en état de marche; fonctionnel; fonctionne; opérationnel; "
    "disponible; actif; installé; conforme; 良好; 正常; 使用可; 使用中; 稼働中; 設置済; 可; 異常なし",
    WITHDRAWN: "out of service; not in service; out of use; out of order; out of operation; not in use; "
    "not available; unavailable; not operational; not ready; not ready for use; not serviceable; unserviceable; "
    "do not use; withdrawn; removed; taken down; taken away; decommissioned; retired; disposed; disposed of; "
    "scrapped; condemned; stolen; missing; lost; disused; inactive; not active; suspended; quarantined; in repair; "
    "under repair; being repaired; away for repair; außer betrieb; ausser betrieb; außer dienst; nicht in betrieb; "
    "nicht im einsatz; nicht einsatzbereit; nicht betriebsbereit; nicht verfügbar; nicht benutzen; nicht verwenden; "
    "gesperrt; stillgelegt; ausgemustert; ausgesondert; entfernt; abgebaut; demontiert; entsorgt; verschrottet; "
    "gestohlen; fehlt; verloren; inaktiv; nicht aktiv; in reparatur; zur reparatur; hors service; hors d'usage; "
    "hors d'état; hs; pas en service; non disponible; indisponible; ne pas utiliser; retiré; retirée; enlevé; "
    "enlevée; supprimé; supprimée; supprimé définitivement; démonté; démontée; réformé; réformée; mis au rebut; "
    "volé; volée; perdu; perdue; absent; manquant; inactif; en réparation; suspendu; "
    "使用停止; 使用不可; 停止中; 休止; 休止中; 撤去; 撤去済; 廃止; 廃棄; 盗難; 紛失; 修理中; 不可",
    FAULT: "defective; defect; broken; faulty; fault; failed; failure; fail; damaged; not working; not functional; "
    "not functioning; inoperative; inoperable; dead; not ok; nok; bad; unsafe; defekt; kaputt; gestört; störung; "
    "fehler; fehlerhaft; beschädigt; mangelhaft; nicht funktionsfähig; nicht funktionstüchtig; funktioniert nicht; "
    "nicht in ordnung; n.i.o.; nio; nicht ok; en panne; panne; défectueux; défectueuse; défaut; cassé; cassée; "
    "endommagé; endommagée; ne fonctionne pas; non fonctionnel; non opérationnel; non conforme; mauvais état; échec; "
    "故障; 故障中; 異常; 異常あり; 不良; 破損",
}
_MEANS = {normal(word): meaning for meaning, words in _WORDS.items() for word in words.split(";")}
_LONGEST = 200  # characters of a cell that are looked at
_SHORTEST_START = 6  # letters of a bad word that may stand before more words: "out of service, at the workshop"
_STARTS = tuple(word for word, meaning in _MEANS.items() if meaning != GOOD and len(word) >= _SHORTEST_START)
_SINCE = re.compile(r"(?P<what>.*?)[\s,;:(–-]+(?:since|from|on|seit|ab|am|depuis|le)\b\s+(?P<when>[^)]+)\)?", re.I)


def meaning(text: str) -> str | None:
    """What the words of a cell say of a unit: in service, withdrawn or fault; None where no list has them."""
    text = text[:_LONGEST]
    found = _SINCE.fullmatch(text)
    for part in (text, found["what"]) if found else (text,):
        known = _MEANS.get(normal(part))
        if known is not None:
            return known
    folded = normal(text)
    if not folded.startswith(_STARTS):
        return None
    return next(_MEANS[word] for word in _STARTS if folded.startswith(word))


def since(text: str) -> date | None:
    """The day since when, where the cell is a day or ends in one ("out of service since 2026-03-01")."""
    found = _SINCE.fullmatch(text[:_LONGEST])
    try:
        return Days().day(found["when"] if found else text)
    except Refused:
        return None


def status(cell: Cell) -> str | None:
    """A cell of the column `status`. A bare yes or no answers a heading such as "in service"."""
    text = line(cell)
    if text is None or meaning(text) is not None:
        return text
    try:
        return GOOD if flag(cell) else WITHDRAWN
    except Refused:
        raise Refused(
            "is not understood as good or bad news, so the unit would be shown in service; write 'in service', "
            "'withdrawn' or 'defective', or say with --mapping FILE what the column is (\"\" where it is not wanted)"
        ) from None


def out_of_service(cell: Cell) -> str | None:
    """A cell of the column `out_of_service`: None where it says no; a bare yes is "withdrawn"."""
    text = line(cell)
    if text is None or bare(cell).strip("-–—/. ") == "" or meaning(text) == GOOD:
        return None
    try:
        return WITHDRAWN if flag(cell) else None
    except Refused:
        return text


def is_bad(text: str) -> bool:
    """Whether a whole text is one of the words for out of service or broken, whatever column it stands in."""
    return _MEANS.get(normal(text), GOOD) != GOOD


def is_good(text: str) -> bool:
    """Whether a whole text is one of the words for in service or in order."""
    return _MEANS.get(normal(text)) == GOOD


def is_no(text: str) -> bool:
    """Whether a cell says no."""
    try:
        return flag(text) is False
    except Refused:
        return False
