"""How time and memory are measured: ours and the floor by turns in one run, the peak of memory in its own process."""

from __future__ import annotations

import gc
import multiprocessing
import resource
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from statistics import median
from typing import Any, NamedTuple


def peak_rss_mb() -> float:
    """The most memory this process has ever held, in MB (10^6 bytes)."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(peak * (1 if sys.platform == "darwin" else 1024) / 1e6, 1)


def timed(work: Callable[[], object]) -> float:
    """Seconds of one call, with the litter of earlier ones cleared away first."""
    gc.collect()
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


class Compared(NamedTuple):
    """The least seconds of each, and the median of the ratios of the turns: what the machine did meanwhile touches
    both sides of a turn alike."""

    seconds: float
    floor_seconds: float
    ratio: float


def by_turns(ours: Callable[[], object], floor: Callable[[], object], turns: int = 3) -> Compared:
    """Runs both, one after the other, so many times; each turn begins with the other one."""
    pairs: list[tuple[float, float]] = []
    for turn in range(turns):
        if turn % 2:
            below = timed(floor)
            pairs.append((timed(ours), below))
        else:
            pairs.append((timed(ours), timed(floor)))
    return Compared(
        round(min(mine for mine, _ in pairs), 4),
        round(min(below for _, below in pairs), 4),
        round(median(mine / below for mine, below in pairs), 3),
    )


def in_own_process(work: Callable[..., Any], *arguments: Any) -> tuple[Any, float]:
    """What `work` gives when it runs in a fresh process, and that process's peak of memory in MB.

    `work` is a function at the top of a module; what it takes and gives must be picklable.
    """
    # An executor, not a pool: where the process cannot start it says so instead of waiting for ever.
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as executor:
        given, peak = executor.submit(_with_peak, work, arguments).result()
    return given, peak


def _with_peak(work: Callable[..., Any], arguments: tuple[Any, ...]) -> tuple[Any, float]:
    return work(*arguments), peak_rss_mb()
