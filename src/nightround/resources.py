"""Finds the packs, model sheets, tables and templates that travel with the program.

In a wheel they lie inside the package (`nightround/config`); in a checkout they are the top-level `config` folder.
"""

from functools import lru_cache
from pathlib import Path

_INSIDE_WHEEL = Path(__file__).parent / "config"
_IN_CHECKOUT = Path(__file__).parents[2] / "config"


@lru_cache(maxsize=16)
def shipped(folder: str) -> Path:
    """The shipped folder of that name: `emergency`, `rules`, `models` or `templates`."""
    for base in (_INSIDE_WHEEL, _IN_CHECKOUT):
        if (base / folder).is_dir():
            return base / folder
    raise FileNotFoundError(f"the installation is incomplete: no shipped folder {folder!r}; install nightround again")
