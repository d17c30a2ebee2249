"""The places of the invented fleet: real countries and time zones, so that the shipped rule packs have something to
bind, and invented towns, streets and spots. Coordinates lie in open country near nothing in particular.
"""

from __future__ import annotations

from typing import NamedTuple


class Kind(NamedTuple):
    """One kind of site. `units` is how many stand at it; the whole table holds 60 on 24 sites."""

    code: str
    name: str
    address: str
    country: str
    subdivision: str
    time_zone: str
    latitude: float
    longitude: float
    site_type: str
    language: str
    region: str  # whose manager gets its letter
    units: int
    rhythm: str  # how often its people look: daily, weekly, monthly
    extra: tuple[str, ...] = ()  # half-yearly test; yearly or two-yearly inspection; report of each check


KINDS: tuple[Kind, ...] = (
    Kind("HARB", "Harbour Works", "12 Lantern Row, Larkhaven CA", "US", "CA", "America/Los_Angeles",
         36.312, -121.127, "workplace", "en", "americas", 4, "monthly", ("test",)),
    Kind("PALM", "Palm Court Gymnasium", "4 Saltgrass Avenue, Larkhaven CA", "US", "CA", "America/Los_Angeles",
         36.334, -121.101, "sports", "en", "americas", 2, "monthly", ("test",)),
    Kind("PRAI", "Prairie Mill Gymnasium", "880 Farm Road, Windrow IL", "US", "IL", "America/Chicago",
         40.402, -89.618, "sports", "en", "americas", 3, "monthly"),
    Kind("RIVE", "Riverbend High School", "1 Pecan Lane, Tumbleford TX", "US", "TX", "America/Chicago",
         31.421, -99.640, "school", "en", "americas", 2, "monthly"),
    Kind("OYST", "Oyster Point Hall", "77 Tideway, Marshwick MD", "US", "MD", "America/New_York",
         38.561, -76.021, "public", "en", "americas", 2, "monthly"),
    Kind("OAKS", "Three Oaks School", "15 Acorn Street, Marshwick MD", "US", "MD", "America/New_York",
         38.577, -76.044, "school", "en", "americas", 3, "weekly"),
    Kind("PINE", "Pine Ridge School", "300 Ridge Road, Copperfield AR", "US", "AR", "America/Chicago",
         35.118, -93.402, "school", "en", "americas", 2, "monthly", ("yearly",)),
    Kind("MESA", "Mesa Market", "21 Ocotillo Way, Drybrook AZ", "US", "AZ", "America/Phoenix",
         33.887, -111.212, "shop", "en", "americas", 2, "monthly"),
    Kind("SNEI", "École des Neiges", "9, rue du Traîneau, Sainte-Bise QC", "CA", "QC", "America/Toronto",
         46.871, -72.912, "school", "fr", "americas", 1, "monthly"),
    Kind("MUHL", "Mühlenwerk Süd", "Am Mühlgraben 3, Oberquellstädt", "DE", "BY", "Europe/Berlin",
         48.912, 11.603, "workplace", "de", "europe", 5, "monthly", ("two-yearly",)),
    Kind("RATH", "Rathaus Grünweiler", "Marktplatz 1, Grünweiler", "DE", "NW", "Europe/Berlin",
         51.402, 8.118, "public", "de", "europe", 3, "monthly", ("two-yearly",)),
    Kind("MILL", "Millpond Sports Club", "Withy Lane, Nether Tolling", "GB", "ENG", "Europe/London",
         52.231, -1.702, "sports", "en", "europe", 3, "weekly"),
    Kind("QUAY", "Quayside Halt", "Ferry Brae, Inverdour", "GB", "SCT", "Europe/London",
         56.601, -3.902, "public", "en", "europe", 4, "weekly"),
    Kind("MAIR", "Mairie de Vaubrune", "2, place de l’Horloge, Vaubrune", "FR", "", "Europe/Paris",
         47.102, 2.611, "public", "fr", "europe", 3, "monthly"),
    Kind("GYMN", "Gymnase des Tilleuls", "18, allée des Tilleuls, Vaubrune", "FR", "", "Europe/Paris",
         47.117, 2.633, "sports", "fr", "europe", 2, "monthly"),
    Kind("ESTA", "Estación de Peñasclara", "Calle del Andén 5, Peñasclara", "ES", "MD", "Europe/Madrid",
         40.712, -3.611, "public", "es", "europe", 2, "monthly"),
    Kind("POLD", "Polderhuis", "Dijkweg 40, Nieuwe Wierde", "NL", "", "Europe/Amsterdam",
         52.702, 5.201, "care", "nl", "europe", 2, "monthly"),
    Kind("SAKU", "さくら坂市民会館", "桜坂町1丁目2番3号", "JP", "", "Asia/Tokyo",
         36.081, 138.312, "public", "ja", "pacific", 3, "daily"),
    Kind("KAWA", "川霧小学校", "川霧町4丁目5番6号", "JP", "", "Asia/Tokyo",
         36.102, 138.341, "school", "ja", "pacific", 2, "daily"),
    Kind("HANB", "한빛마루역", "한빛마루길 7", "KR", "", "Asia/Seoul",
         36.611, 128.102, "public", "ko", "pacific", 3, "monthly", ("report",)),
    Kind("LINX", "林溪商場", "林溪路8號", "TW", "", "Asia/Taipei",
         23.902, 120.951, "shop", "zh", "pacific", 3, "monthly", ("test",)),
    Kind("GULF", "Gulfview Surf Club", "2 Jetty Road, Pelican Sands SA", "AU", "SA", "Australia/Adelaide",
         -34.902, 137.811, "sports", "en", "pacific", 2, "monthly"),
    Kind("ISLE", "Island Clinic", "1 Banyan Track, Outer Cove", "AU", "NSW", "Australia/Lord_Howe",
         -31.552, 159.081, "health", "en", "pacific", 1, "monthly"),
    Kind("MERA", "Meranti Lodge", "18 Rambutan Walk", "SG", "", "Asia/Singapore",
         1.402, 103.911, "hotel", "en", "pacific", 1, "monthly"),
)  # fmt: skip

SITES_A_BLOCK = len(KINDS)
UNITS_A_BLOCK = sum(kind.units for kind in KINDS)

SPOTS: dict[str, tuple[str, ...]] = {
    "en": ("reception, left of the lift", "canteen, beside the door", "first floor, by the stairs",
           "boiler room corridor", "car park, at the barrier", "main hall, behind the stage",
           "first-aid room", "gatehouse"),
    "de": ("Empfang, links vom Aufzug", "Kantine, neben der Tür", "Halle 2, am Tor", "Flur im Obergeschoß",
           "Pförtnerhaus"),
    "fr": ("accueil, à gauche de l’ascenseur", "salle des fêtes, près de l’entrée", "vestiaire nº 2", "sous le préau"),
    "es": ("vestíbulo, junto a la taquilla", "andén 1, bajo el reloj", "sala de máquinas"),
    "nl": ("receptie, naast de lift", "keuken, achter de deur", "bij de fietsenstalling"),
    "ja": ("1階 受付 左側", "2階 廊下 階段横", "体育館 入口", "職員室 前"),
    "ko": ("1층 안내소 옆", "승강장 계단 아래", "역무실 앞"),
    "zh": ("一樓服務台旁", "地下停車場入口", "三樓電梯左側"),
}  # fmt: skip

FLOORS = ("0", "0", "0", "1", "1", "2", "-1", "")
CABINETS = ("indoor, unlocked", "indoor, unlocked", "indoor, alarmed", "outdoor, heated, unlocked", "wall bracket", "")
