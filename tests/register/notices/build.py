"""Notice files as a person would write them."""

from __future__ import annotations

from pathlib import Path

WHOLE = """
reference = "FSN-7"
version = 1
class = "II"
title = "relay may stick"
source = "letter of the maker, page 2"
issued_by = "manufacturer"
published_on = 2016-10-06
received_on = 2016-10-10
action = "keep in service"
what_to_do = '''
Order the replacement relay.
Look at the unit until it is there.
'''
underway_by = 2016-10-27
complete_by = 2016-11-17

[[concerns]]
models = ["Orrel Twin"]
serials = [{ from = "205787", to = "207509" }, 300001]
made = [{ from = "2003-10", to = 2005-01-31 }]
combine = "all"

[[concerns]]
models = ["Tarnlight Five", "TL-5"]
firmware = [{ to = "2.004" }]

[[concerns]]
every_model = true
parts = ["pads-adult"]
lots = ["L-100", { from = "L-200", to = "L-299" }]
"""

LEAST = """
reference = "FSN-8"
title = "all of one model"
source = "the authority's site"
issued_by = "authority"
published_on = 2016-10-06
action = "stop using"
[[concerns]]
models = ["Orrel Twin"]
every_unit = true
"""


def write(folder: Path, text: str, name: str = "fsn-7.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path
