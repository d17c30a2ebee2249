"""The kinds of site that rules can be about. A word of its own is only needed where a rule treats the place apart.

The words are ours, in plain English; the register keeps them in lower case. A site without one is of no special kind:
rules that name kinds of site do not bind there, all others do.
"""

SITE_TYPES: dict[str, str] = {
    "school": "school or nursery, with its sports grounds",
    "college": "college or university",
    "sports": "sports ground, gymnasium, swimming bath or club",
    "workplace": "office, workshop or factory",
    "shop": "shop, market or shopping centre",
    "public": "town hall, library, station or other public building",
    "outdoor": "cabinet in the open, for anyone",
    "health": "practice, clinic or hospital",
    "care": "care home or sheltered housing",
    "housing": "block of dwellings",
    "hotel": "hotel, camp site or holiday park",
    "worship": "church, mosque, temple or hall of one",
    "transport": "vehicle, vessel, aircraft",
    "responder": "fire, police, rescue or first-aid service",
}
