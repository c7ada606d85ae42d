"""The page of results: ratios first, what is missed is marked, and it is what the command makes of what is
kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.bench.figures import WHERE, accuracy, cost, figures_in, hand_over, ratio
from tests.bench.results import KEPT, PAGE, Run, benchmarks, load_runs, page

FIGURES = (
    cost("memory", 61.4, "MB", at_most=64.0),
    ratio("a poll", 1.04, "the wire", at_most=1.03),
    accuracy("days told right", 0.858, "", "measured skies", at_least=0.84),
)


def test_what_a_benchmark_hands_over_comes_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(WHERE, raising=False)
    hand_over(*FIGURES)  # to nobody
    monkeypatch.setenv(WHERE, str(tmp_path / "figures"))
    hand_over(*FIGURES[:1])
    hand_over(*FIGURES[1:])
    assert figures_in(tmp_path / "figures") == list(FIGURES)


def test_ratios_come_first_and_what_is_missed_is_marked() -> None:
    run = Run("python -m tests.bench.zoom", "2026-11-26", 61.0, "2 cores", 0.5, 1, FIGURES)
    told = page({"zoom": run}, ["zoom", "sky_days"])
    rows = [
        line for line in told.splitlines() if line.startswith("| zoom |") or line.startswith("| sky_days |")
    ]
    assert rows == [
        "| zoom | a poll | 1.04 times | the wire | at most 1.03: **missed** |",
        "| zoom | days told right | 0.858 | measured skies | at least 0.84 |",
        "| zoom | memory | 61.4 MB | at most 64 |",
        "| zoom | `python -m tests.bench.zoom` | 61 s, ended with 1 | 2026-11-26 | 2 cores | 0.5 |  |",
        "| sky_days | `python -m tests.bench.sky_days` | not run |  |  |  | [SUN.md](SUN.md) |",
    ]


def test_what_is_missed_stands_before_all_tables() -> None:
    run = Run("python -m tests.bench.zoom", "2026-11-26", 61.0, "2 cores", 0.5, 1, FIGURES)
    told = page({"zoom": run}, ["zoom"])
    assert "2 of 3 figures that have a target meet it." in told
    assert told.index("- zoom: a poll: 1.04 times (at most 1.03)") < told.index("## ")
    assert "These do not" not in page({"zoom": replace(run, figures=FIGURES[:1])}, ["zoom"])


def test_the_page_is_what_the_command_makes_of_what_is_kept() -> None:
    runs = load_runs(KEPT)
    assert set(runs) <= set(benchmarks())
    told = PAGE.read_text(encoding="utf-8")
    rows = page(runs, list(runs)).splitlines()
    assert [row for row in rows if row not in told.splitlines()] == []
