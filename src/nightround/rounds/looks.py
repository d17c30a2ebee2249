"""How the looks round of one running process go: whether one hangs, or they fail one after the other. Kept in memory.

Counted by a clock that nobody can set. What the database can say of it is in `troubles`; a service that cannot write
there, or never comes back from a look, can still answer for itself.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta

FAILED_OFTEN = 3  # looks one after the other; a single one may have met a database that was being restarted


class Looks:
    """Remembers the look in hand and how many failed since the last good one. `steady`: seconds, never set back."""

    def __init__(self, steady: Callable[[], float] = time.monotonic) -> None:
        self._steady = steady
        self._since: float | None = None
        self._failed = 0
        self._fails = False

    @contextmanager
    def look(self) -> Iterator[None]:
        """Around each look; what is raised in it is passed on and counts as a failure."""
        self._since, self._fails = self._steady(), False
        try:
            yield
        except BaseException:
            self._fails = True
            raise
        finally:
            self._since = None
            self._failed = self._failed + 1 if self._fails else 0

    def failed(self) -> None:
        """Says that something of the look in hand failed, though the look goes on."""
        self._fails = True

    def wrong(self, longest: timedelta) -> list[str]:
        """What is wrong, as sentences for anybody; `longest`: how long one look may take."""
        said = []
        since = self._since
        if since is not None and self._steady() - since > longest.total_seconds():
            minutes = int((self._steady() - since) // 60)
            said.append(f"The service hangs: it has been at one look for {minutes} minutes. Restart it.")
        if self._failed >= FAILED_OFTEN:
            said.append(f"The service failed at its last {self._failed} looks. Its log says why.")
        return said
