"""The layouts in which public bodies publish their registers, recognised by their headings and never by content.

One row is one unit; rows with the same name and address are one site. Headings as published: Japan, the AED list of
the recommended municipal data set; France, the open extract of the national data base of defibrillators (orders of
29 October 2019); OpenStreetMap, the tags its wiki describes for emergency=defibrillator. What has no field of its own
is kept in the notes.
"""

from __future__ import annotations

import base64
import hashlib
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from .cells import LONGEST, Refused
from .fields import Field
from .found import Value
from .geojson import OSM_ID
from .headings import normal

Flat = dict[str, Value]

# What a layout has columns for that the register has not: composed into its fields by `Layout.compose`.
OPEN_FIELDS: dict[str, Field] = {
    "open.area": Field("code", 32),
    "open.number": Field("code", 48),
    "open.building": Field("line", LONGEST),
    "open.house": Field("line", LONGEST),
    "open.street": Field("line", LONGEST),
    "open.postcode": Field("code", 16),
    "open.town": Field("line", LONGEST),
    "open.commune": Field("code", 16),
    "open.child_pads": Field("flag", 8),
}


@dataclass(frozen=True, slots=True)
class Layout:
    """`needs`: the normalised headings that tell it. `columns`: normalised heading → target; a target that two
    headings share takes the first that is there. `compose` turns a row's `open.…` values into fields."""

    key: str
    title: str
    needs: frozenset[str]
    columns: Mapping[str, str]
    site_constants: Mapping[str, str]
    compose: Callable[[Flat, str], None]
    # Columns whose different values are worth a remark.
    told: tuple[str, ...] = ()
    # Of these, the one that says whether the unit is in service.
    status: str = ""
    has_area: bool = field(default=False)

    @property
    def told_where(self) -> bool:
        """Whether the layout tells its country and time zone."""
        return bool(self.site_constants)


def _columns(spec: dict[str, str]) -> dict[str, str]:
    return {normal(heading): target for target, headings in spec.items() for heading in headings.split()}


def _of_japan(flat: Flat, source: str) -> None:
    prefix = _text(flat, "open.area") or source
    area = prefix if prefix != source else ""
    building = _text(flat, "open.building")
    address = " ".join(part for part in (_text(flat, "sites.address"), building) if part)
    _place(flat, prefix, address)
    # The first two digits of a municipality's code are its prefecture's, which ISO 3166-2:JP uses too.
    if len(area) == 6 and area.isdigit() and 1 <= int(area[:2]) <= 47:
        flat["sites.subdivision"] = area[:2]


def _of_france(flat: Flat, source: str) -> None:
    street = " ".join(part for part in (_text(flat, "open.house"), _text(flat, "open.street")) if part)
    postcode, commune = _text(flat, "open.postcode"), _text(flat, "open.commune")
    town = " ".join(part for part in (postcode, _text(flat, "open.town")) if part)
    _place(flat, source, ", ".join(part for part in (street, town) if part))
    number = commune or postcode
    place = _FRENCH_PLACES.get(number[:3], _FRENCH_PLACES.get(number[:2])) if len(number) == 5 else None
    flat["sites.subdivision"], flat["sites.time_zone"] = place or (None, "Europe/Paris")
    if _text(flat, "open.child_pads") == "yes":
        flat["parts.pads-child.state"] = "fitted"  # with or without a date: they are there


def _of_the_map(flat: Flat, source: str) -> None:
    street = " ".join(part for part in (_text(flat, "open.street"), _text(flat, "open.house")) if part)
    town = " ".join(part for part in (_text(flat, "open.postcode"), _text(flat, "open.town")) if part)
    address = ", ".join(part for part in (street, town) if part)
    nameless = not address and not _text(flat, "sites.name")
    if nameless:
        # Most features of the map say no more than where they are: each is then a site of its own.
        flat["sites.name"] = _text(flat, "spot") or _text(flat, "open.number") or None
    _place(flat, source, address)
    if nameless:
        flat["site"] = flat["unit"]


# Places of France whose public holidays or clock differ: INSEE number → subdivision as the `holidays` library has it,
# time zone. Moselle, Bas-Rhin and Haut-Rhin keep two holidays of their own; the rest lie overseas.
_FRENCH_PLACES = {
    "57": ("57", "Europe/Paris"),
    "67": ("6AE", "Europe/Paris"),
    "68": ("6AE", "Europe/Paris"),
    "971": ("971", "America/Guadeloupe"),
    "972": ("972", "America/Martinique"),
    "973": ("973", "America/Cayenne"),
    "974": ("974", "Indian/Reunion"),
    "975": ("PM", "America/Miquelon"),
    "976": ("976", "Indian/Mayotte"),
    "977": ("BL", "America/St_Barthelemy"),
    "978": ("MF", "America/Marigot"),
    "986": ("WF", "Pacific/Wallis"),
    "987": ("PF", "Pacific/Tahiti"),
    "988": ("NC", "Pacific/Noumea"),
}


def _place(flat: Flat, prefix: str, address: str) -> None:
    """The codes of the unit and of its site, and the site's address and position."""
    number = _text(flat, "open.number")
    if not number:
        raise Refused("has no number; every unit needs its own, for its code")
    name = _text(flat, "sites.name")
    if not name and not address:
        raise Refused("has neither a name nor an address; one of them is needed, to know the site")
    flat["unit"] = f"{prefix}-{number}"
    flat["site"] = f"{prefix}-{site_mark(name, address)}"
    flat["open.source"] = prefix
    flat["sites.address"] = address or None
    flat["sites.latitude"], flat["sites.longitude"] = flat.get("latitude"), flat.get("longitude")


def site_mark(name: str, address: str) -> str:
    """Ten letters and digits that stand for a name and address, the same at every import of the same publisher."""
    known = "\n".join(" ".join(unicodedata.normalize("NFKC", text).casefold().split()) for text in (name, address))
    return base64.b32encode(hashlib.sha256(known.encode()).digest())[:10].decode().lower()


def _text(flat: Flat, name: str) -> str:
    value = flat.get(name)
    return value if isinstance(value, str) else ""


_JAPAN = {"sites.country": "JP", "sites.time_zone": "Asia/Tokyo"}

LAYOUTS: dict[str, Layout] = {
    layout.key: layout
    for layout in (
        Layout(
            "japan",
            "municipal AED list, Japan",
            frozenset(map(normal, ("名称", "設置位置", "小児対応設備の有無"))),
            _columns(
                {
                    "open.area": "都道府県コード又は市区町村コード 全国地方公共団体コード",
                    "open.number": "NO ID",
                    "sites.name": "名称",
                    "sites.address": "住所 所在地_連結表記",
                    "open.building": "方書 建物名等(方書)",
                    "latitude": "緯度",
                    "longitude": "経度",
                    "spot": "設置位置",
                }
            ),
            _JAPAN,
            _of_japan,
            has_area=True,
        ),
        Layout(
            "japan-english",
            "municipal AED list with English headings, Japan",
            frozenset(map(normal, ("#property", "installationPosition", "equipmentForChildren"))),
            _columns(
                {
                    "open.number": "#property",
                    "sites.name": "name",
                    "sites.address": "address",
                    "latitude": "latitude",
                    "longitude": "longitude",
                    "spot": "installationPosition",
                }
            ),
            _JAPAN,
            _of_japan,
        ),
        Layout(
            "france",
            "national extract, France",
            frozenset(map(normal, ("c_nom", "c_lat_coor1", "c_long_coor1", "c_com_nom"))),
            _columns(
                {
                    "open.number": "gid c_gid",
                    "sites.name": "c_nom",
                    "open.house": "c_adr_num",
                    "open.street": "c_adr_voie",
                    "open.postcode": "c_com_cp",
                    "open.commune": "c_com_insee",
                    "open.town": "c_com_nom",
                    "latitude": "c_lat_coor1",
                    "longitude": "c_long_coor1",
                    "spot": "c_acc_complt",
                    "floor": "c_acc_etg",
                    "in_service_on": "c_date_instal",
                    "open.child_pads": "c_lc_ped",
                    "parts.pads-child.label_date": "c_dtpr_lcped",
                    "parts.pads-adult.label_date": "c_dtpr_lcad",
                    "parts.battery.label_date": "c_dtpr_bat",
                }
            ),
            {"sites.country": "FR"},
            _of_france,
            told=(normal("c_etat_fonct"), normal("c_etat_valid")),
            status=normal("c_etat_fonct"),
        ),
        Layout(
            "openstreetmap",
            "OpenStreetMap",
            frozenset(map(normal, (OSM_ID, "emergency"))),
            {
                normal(OSM_ID): "open.number",
                "emergency": "",
                **_columns(
                    {
                        "sites.name": "name",
                        "sites.country": "addr:country",
                        "open.house": "addr:housenumber",
                        "open.street": "addr:street",
                        "open.postcode": "addr:postcode",
                        "open.town": "addr:city",
                        "latitude": "latitude",
                        "longitude": "longitude",
                        "spot": "defibrillator:location aed:location",
                        "floor": "level",
                        "model": "model",
                    }
                ),
            },
            {},
            _of_the_map,
            told=(normal("operational_status"),),
            status=normal("operational_status"),
        ),
    )
}


def layout_of(headings: frozenset[str]) -> Layout | None:
    """The layout that these normalised headings tell, if any."""
    return next((layout for layout in LAYOUTS.values() if layout.needs <= headings), None)
