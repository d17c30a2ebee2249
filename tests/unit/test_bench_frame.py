"""The frame of the benchmarks: what it prints, and that a ratio is a ratio. No figure is judged here."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest
from tests.bench.__main__ import ALWAYS
from tests.bench.measure import by_turns, in_own_process

TOP = Path(__file__).parents[2]


def test_a_benchmark_prints_one_json_document_with_its_figures() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "reckon", "--units", "100"],
        cwd=TOP,
        capture_output=True,
        text=True,
        check=True,
    )
    figures = json.loads(done.stdout)
    assert set(ALWAYS) <= set(figures)
    assert figures["name"] == "reckon"
    assert figures["units"] == 100
    assert figures["seconds"] > 0


def test_a_name_that_is_none_is_refused_with_those_there_are() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "rounds"], cwd=TOP, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "round-postgres" in done.stderr


def test_both_sides_run_by_turns_and_the_ratio_is_of_ours_to_the_floor() -> None:
    order: list[str] = []
    compared = by_turns(lambda: order.append("ours"), lambda: order.append("floor"), turns=3)
    assert order == ["ours", "floor", "floor", "ours", "ours", "floor"]
    assert compared.ratio > 0
    slow = by_turns(lambda: sum(range(300_000)), lambda: sum(range(3_000)))
    assert slow.ratio > 5


MEASURING = """
from tests.bench.measure import in_own_process
if __name__ == "__main__":
    given, little = in_own_process(len, "abc")
    listed, much = in_own_process(sorted, range(1_000_000, 0, -1))
    print(given, listed[0], much - little > 20)  # a million numbers and places for them
"""


def test_memory_is_that_of_a_process_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "measuring.py").write_text(MEASURING, "utf-8")
    done = subprocess.run(
        [sys.executable, str(tmp_path / "measuring.py")],
        env={**os.environ, "PYTHONPATH": str(TOP)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == ["3", "1", "True"]


def test_a_process_that_cannot_start_is_an_error_and_no_wait() -> None:
    with pytest.raises(BrokenProcessPool):
        in_own_process(os._exit, 3)
