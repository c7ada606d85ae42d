"""A capacity test step by step, on stores in which it stands at each of its steps."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.capacity.guide import guide_document
from monitor.capacity.words import guide_lines, guide_sentence
from monitor.care.runs import Run, runs
from monitor.clock import SystemClock
from monitor.records import Bucket, Event, Reading, Series, iso_utc
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_reader, open_writer
from tests.unit.site_files import MARSH_HIDE, WITHOUT_ARRAY, write

HOUR_MS, MINUTE_MS = 3_600_000, 60_000
DRAWN_A = 22.5
"""A twentieth of the invented bank's 450 Ah."""


def rows(
    now_ms: int, begun_h: float, drawn_h: float, load_V: float, rest_V: float, charged_h: float | None
) -> Iterator[Reading]:
    """A charge, a discharge begun_h ago for drawn_h, a rest, perhaps a charge charged_h ago; by 5 minutes."""
    for minute in range(round((begun_h + 3) * 60), -1, -5):
        ago_h = minute / 60
        values = {"battery_current_A": -0.17, "battery_voltage_V": rest_V}
        if ago_h > begun_h or (charged_h is not None and ago_h < charged_h):
            values = {"battery_current_A": 8.0, "battery_voltage_V": 14.4}
        elif drawn_h and ago_h >= begun_h - drawn_h:
            values = {"battery_current_A": -DRAWN_A, "battery_voltage_V": load_V}
        values["battery_temperature_C"] = 20.0
        time_ms = now_ms - minute * MINUTE_MS
        yield from (Reading(time_ms, "charger", name, value) for name, value in values.items())


def guided(
    folder: Path,
    begun_h: float = 0.0,
    drawn_h: float = 0.0,
    *,
    load_V: float = 12.0,
    rest_V: float = 12.10,
    charged_h: float | None = None,
    full: bool = True,
    text: str = MARSH_HIDE,
) -> dict[str, Any]:
    """Where the test stands over a store with such a discharge."""
    file, now_ms = write(folder, text), SystemClock().now_ms()
    with open_writer(folder / "nightbank.db", "Europe/London") as writer:
        writer.append(rows(now_ms, begun_h, drawn_h, load_V, rest_V, charged_h))
        if full:
            full_ms = round(now_ms - (begun_h + 0.5) * HOUR_MS)
            writer.add_event(Event(full_ms, "full", "bank", "The bank is full."))
        writer.commit()
    with closing(open_reader(folder / "nightbank.db")) as reader:
        return guide_document(with_defaults(load_site(file))[0], reader)


def said(guide: dict[str, Any]) -> str:
    return guide_sentence(guide, iso_utc)


def test_a_full_bank_is_ready(tmp_path: Path) -> None:
    guide = guided(tmp_path)
    assert guide["phase"] == "before"
    assert said(guide).startswith("The bank is ready for a test: open the array's disconnect")
    assert any("22 A take half of it in 10 hours" in each["words"] for each in guide["ready"])


def test_a_bank_that_was_not_full_is_charged_first(tmp_path: Path) -> None:
    guide = guided(tmp_path, full=False)
    assert said(guide) == "Charge the bank until it is full."


def test_while_it_runs_what_is_taken_and_what_is_left_are_told(tmp_path: Path) -> None:
    guide = guided(tmp_path, begun_h=4, drawn_h=4)
    told = guide["discharge"]
    assert guide["phase"] == "while"
    # 4 h of 22.5 A are 90 Ah of the 225 that are half of 450: 135 Ah left, 6 h (arithmetic)
    assert told["taken_Ah"] == pytest.approx(90, abs=3)
    assert told["hours_left"] == pytest.approx(6, abs=0.2)
    assert not told["stop"]
    assert f"stop at {told['safe_V']:.2f} V" in " ".join(guide_lines(guide, iso_utc))


def test_when_half_is_taken_it_says_to_stop(tmp_path: Path) -> None:
    guide = guided(tmp_path, begun_h=10.2, drawn_h=10.2)
    assert said(guide).startswith("Switch the loads off now and let the bank rest: half of what")
    assert not guide["to_charge"]  # first the rest


def test_a_weak_bank_is_stopped_by_its_voltage(tmp_path: Path) -> None:
    # Copetti's model at 30 % charge, C10 = 408 Ah (450 / 1.104, Peukert), 22.5 A, 20 °C, by hand: rest
    # 2.001 V, drop 0.0552 x (4 / 58.3 + 1.643 + 0.02) x 1.035 = 0.099 V; 11.41 V for six cells
    guide = guided(tmp_path, begun_h=3, drawn_h=3, load_V=11.3)
    assert guide["discharge"]["safe_V"] == pytest.approx(11.41, abs=0.02)
    assert said(guide) == ("Switch the loads off now and let the bank rest: the voltage is down at 11.41 V.")


def test_while_it_rests_it_says_until_when(tmp_path: Path) -> None:
    guide = guided(tmp_path, begun_h=12, drawn_h=10)
    assert guide["phase"] == "rest"
    assert said(guide).startswith("The bank rests: leave loads and charge off until")


def test_after_the_rest_it_tells_the_capacity_and_to_charge(tmp_path: Path) -> None:
    # 225 Ah and some of the monitor's were half, by a rest voltage of 12.10 V (a maker's table, secondary
    # source): 450 Ah and a little
    guide = guided(tmp_path, begun_h=17, drawn_h=10)
    assert guide["phase"] == "after"
    assert guide["result"]["capacity_Ah"] == pytest.approx(453, abs=5)
    assert said(guide).startswith("About 45")
    assert said(guide).endswith("Charge the bank full now.")


def test_a_rest_that_tells_nothing_says_why(tmp_path: Path) -> None:
    guide = guided(tmp_path, begun_h=17, drawn_h=10, rest_V=12.60)  # near full: nearly nothing was taken
    assert guide["phase"] == "after"
    assert "tells no capacity: only" in said(guide)
    assert said(guide).endswith("Charge the bank full now.")


def test_an_ordinary_night_is_no_test(tmp_path: Path) -> None:
    assert guided(tmp_path, begun_h=12, drawn_h=3, rest_V=12.5, charged_h=2)["phase"] == "before"


def test_once_charged_again_the_result_stays_for_three_days(tmp_path: Path) -> None:
    guide = guided(tmp_path, begun_h=30, drawn_h=10, charged_h=5)
    assert guide["phase"] == "after"
    assert guide["result"]["capacity_Ah"] == pytest.approx(453, abs=5)
    assert not guide["to_charge"]


@pytest.mark.parametrize(
    ("was", "is_now", "why"),
    [
        ('level = "controller"', 'level = "charging"', "A shunt in the bank's negative wire would tell it"),
        ('chemistry = "flooded"', 'chemistry = "lifepo4"', "its own electronics count its charge"),
    ],
)
def test_where_it_cannot_be_tested_it_says_why_and_what_would_help(
    tmp_path: Path, was: str, is_now: str, why: str
) -> None:
    assert was in MARSH_HIDE
    guide = guided(tmp_path, begun_h=4, drawn_h=4, text=MARSH_HIDE.replace(was, is_now))
    assert guide["phase"] == "cannot"
    assert why in f"{said(guide)} {guide['help']}"


def test_a_monitor_that_draws_too_much_for_a_rest_is_told(tmp_path: Path) -> None:
    small = MARSH_HIDE.replace("unit_capacity_Ah = 225", "unit_capacity_Ah = 20")
    guide = guided(tmp_path, text=small)  # 2 W at 12 V are 0.17 A; 0.2 % of 40 Ah are 0.08 A
    assert "The monitor itself draws 0.17 A, more than the 0.08 A" in said(guide)


def bucket(start_min: int, lowest_A: float, mean_A: float, highest_A: float) -> Bucket:
    start_ms = start_min * MINUTE_MS
    return Bucket(start_ms, start_ms + 10 * MINUTE_MS, 2, lowest_A, mean_A, highest_A)


def test_a_discharge_lies_between_two_charges_and_silence_ends_it() -> None:
    still, load, sun = (-0.2, -0.1, 0.1), (-6.0, -6.0, -6.0), (2.0, 5.0, 8.0)
    night = [bucket(at * 10, *what) for at, what in enumerate([sun, load, load, still, sun, load, still])]
    late = [bucket(120, *load)]  # an hour unseen before it
    gap = (70 * MINUTE_MS, 120 * MINUTE_MS)
    assert runs(Series("battery_current_A", (*night, *late), (gap,)), 0.9) == [
        Run(10 * MINUTE_MS, 30 * MINUTE_MS, 40 * MINUTE_MS, pytest.approx(2 + 0.1 / 6), False, True),
        Run(50 * MINUTE_MS, 60 * MINUTE_MS, 70 * MINUTE_MS, pytest.approx(1 + 0.1 / 6), False, True),
        Run(120 * MINUTE_MS, 130 * MINUTE_MS, 130 * MINUTE_MS, pytest.approx(1), True, False),
    ]


def test_a_bank_that_only_rests_is_not_discharged() -> None:
    assert runs(Series("battery_current_A", (bucket(0, -0.2, -0.1, 0.1),), ()), 0.9) == []


def test_a_bank_without_an_array_is_told_of_none(tmp_path: Path) -> None:
    guide = guided(tmp_path, text=WITHOUT_ARRAY)
    assert said(guide) == "The bank is ready for a test: switch off whatever charges it and let a load run."
    told = " ".join([*guide_lines(guide, iso_utc), guide["how"], *guide["cautions"]])
    assert "array" not in told


def test_a_discharge_of_which_a_part_went_unseen_is_no_test() -> None:
    load = (-6.0, -6.0, -6.0)
    late = (bucket(0, 2.0, 5.0, 8.0), bucket(120, *load))  # charged, then two hours unseen
    gap = (10 * MINUTE_MS, 120 * MINUTE_MS)
    assert not runs(Series("battery_current_A", late, (gap,)), 0.9)[-1].is_whole
