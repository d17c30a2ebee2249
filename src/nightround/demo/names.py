"""Invented people. Any likeness to a living person is chance; every address ends in example.org (RFC 2606)."""

from __future__ import annotations

import random

GIVEN: dict[str, tuple[str, ...]] = {
    "en": ("Ada", "Bram", "Cora", "Dougal", "Elspeth", "Fergus", "Greta", "Hollis", "Imogen", "Jasper", "Leila", "Zoë"),
    "de": ("Käthe", "Jörg", "Lieselotte", "Ansgar", "Friederike", "Götz", "Wiebke", "Ruprecht"),
    "fr": ("Éléonore", "Gaël", "Maëlle", "Loïc", "Apolline", "François-Noël", "Héloïse", "Côme"),
    "es": ("Íñigo", "Begoña", "Nuño", "Araceli"),
    "nl": ("Floor", "Sjoerd", "Maartje", "Joost"),
    "ja": ("灯", "楓", "凪", "澪", "蒼", "紬"),
    "ko": ("새봄", "가온", "누리", "해솔"),
    "zh": ("雨晴", "思遠", "若水", "青禾"),
}

FAMILY: dict[str, tuple[str, ...]] = {
    "en": ("Fenwhistle", "Larkmoor", "Tollenby", "Ashquill", "Bramblethorpe", "Coldwater-Finch", "Dunnockshaw",
           "O’Marrow", "Pellwyn", "Quillfeather", "Sorrelby", "Ångthorpe"),
    "de": ("Apfelgrün", "Büchsenschütz-Öhm", "Sternenmüller", "Weißklee", "Kranichfeder", "Löwenmaul"),
    "fr": ("de la Rivebleue", "Châtaignol", "Perceneige", "Noisetiers", "d’Aubépine", "Merlebœuf"),
    "es": ("Campoverde Niñoles", "Peñaluz", "Zarzamora", "Riofrío"),
    "nl": ("van der Wilgenroos", "Zilverreiger", "ten Duinroos", "Waterjuffer"),
    "ja": ("星降", "月守", "雪解", "風見野"),
    "ko": ("달", "하늘", "별", "솔"),
    "zh": ("雲", "柳", "松", "竹"),
}  # fmt: skip

# One name that is written from right to left, in every block of sites, so that pages and letters meet one.
RIGHT_TO_LEFT = "ياسمين أبو النجوم"

_TOGETHER = ("ja", "ko", "zh")  # family name first; in Japanese with a space between


def person_name(language: str, rng: random.Random) -> str:
    """A name as people of that language write it."""
    given, family = rng.choice(GIVEN[language]), rng.choice(FAMILY[language])
    if language in _TOGETHER:
        return f"{family} {given}" if language == "ja" else f"{family}{given}"
    return f"{given} {family}"
