"""A span that cuts a day: its parts are joined as the whole day is, so that parts make up the whole."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.records import DAY_MS, HOUR_MS, MINUTE_MS, DayStat, Reading
from monitor.store.base import StoreReader
from monitor.store.embedded import open_reader, open_writer
from monitor.store.parts import span_stats

ZONE = ZoneInfo("Europe/London")
NET = "battery_current_A"
MIDNIGHT_MS = round(datetime(2026, 11, 3, tzinfo=UTC).timestamp() * 1000)
"""In November London's days are UTC's (IANA time zone database)."""


def stored(folder: Path, readings: list[Reading]) -> StoreReader:
    with open_writer(folder / "store.db", str(ZONE)) as writer:
        writer.append(readings)
        writer.commit()
    return open_reader(folder / "store.db")


def hourly(first_ms: int, values: list[float]) -> list[Reading]:
    return [Reading(first_ms + hour * HOUR_MS, "shunt", NET, value) for hour, value in enumerate(values)]


def asked(reader: StoreReader, start_ms: int, end_ms: int) -> list[DayStat]:
    return span_stats(reader, ZONE, [NET], start_ms, end_ms)


@pytest.mark.parametrize(("hours", "expected_Ah"), [(1, 10), (2, 20), (5, 50)])
def test_a_part_with_few_readings_joins_them_as_its_day_does(
    tmp_path: Path, hours: int, expected_Ah: float
) -> None:
    """10 A for so many hours, read once an hour (arithmetic); one reading alone has no usual interval."""
    start_ms = MIDNIGHT_MS + DAY_MS + (24 - hours) * HOUR_MS
    with stored(tmp_path, hourly(MIDNIGHT_MS, [10.0] * 72)) as reader:
        [first, last] = asked(reader, start_ms, MIDNIGHT_MS + 2 * DAY_MS + hours * HOUR_MS)
    assert (first.positive_h, last.positive_h) == pytest.approx((expected_Ah, expected_Ah))
    assert (first.covered_s, last.covered_s) == (3600 * hours, 3600 * hours)


def test_a_part_is_cut_where_it_was_asked(tmp_path: Path) -> None:
    """A line from 0 to 24 A in a day: from 6:30 to 7:30 the mean is 7 A (arithmetic)."""
    with stored(tmp_path, hourly(MIDNIGHT_MS, [float(hour) for hour in range(25)])) as reader:
        [part] = asked(reader, MIDNIGHT_MS + 390 * MINUTE_MS, MIDNIGHT_MS + 450 * MINUTE_MS)
    assert part.integral_h == pytest.approx(7)
    assert part.covered_s == 3600


def test_a_part_between_two_readings_tells_of_the_line_between_them(tmp_path: Path) -> None:
    """A line from 0 to 24 A in a day: from 6:15 to 6:45 the mean is 6.5 A (arithmetic)."""
    with stored(tmp_path, hourly(MIDNIGHT_MS, [float(hour) for hour in range(25)])) as reader:
        [part] = asked(reader, MIDNIGHT_MS + 375 * MINUTE_MS, MIDNIGHT_MS + 405 * MINUTE_MS)
    assert part.integral_h == pytest.approx(3.25)
    assert part.covered_s == 1800


def test_a_part_within_a_silence_is_unknown(tmp_path: Path) -> None:
    """Ten hours without a reading where one an hour is usual: more than three intervals are not joined."""
    readings = hourly(MIDNIGHT_MS, [5.0] * 25)
    with stored(tmp_path, [*readings[:7], *readings[16:]]) as reader:
        assert asked(reader, MIDNIGHT_MS + 8 * HOUR_MS, MIDNIGHT_MS + 9 * HOUR_MS) == []


@settings(max_examples=25, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.sampled_from([20, 60, 600, 3600]), st.integers(-30, 30)), min_size=8, max_size=80
    ),
    share=st.floats(0.1, 0.9),
)
def test_two_parts_make_up_the_whole(steps: list[tuple[int, int]], share: float) -> None:
    """Nothing is lost or counted twice between them."""
    times = [MIDNIGHT_MS]
    for seconds, _ in steps[1:]:
        times.append(times[-1] + 1000 * seconds)
    readings = [
        Reading(time_ms, "shunt", NET, float(value))
        for time_ms, (_, value) in zip(times, steps, strict=True)
        if time_ms < MIDNIGHT_MS + DAY_MS
    ]
    stamps = [reading.time_ms for reading in readings]
    former, latter = list(pairwise(stamps))[round(share * (len(stamps) - 2))]
    cut_ms = (former + latter) // 2
    with TemporaryDirectory() as folder, stored(Path(folder), readings) as reader:
        [whole] = asked(reader, MIDNIGHT_MS, MIDNIGHT_MS + DAY_MS)
        parts = asked(reader, MIDNIGHT_MS, cut_ms) + asked(reader, cut_ms, MIDNIGHT_MS + DAY_MS)
    assert sum(part.count for part in parts) == whole.count
    assert sum(part.positive_h for part in parts) == pytest.approx(whole.positive_h, abs=1e-6)
    assert sum(part.negative_h for part in parts) == pytest.approx(whole.negative_h, abs=1e-6)
    assert sum(part.covered_s for part in parts) == pytest.approx(whole.covered_s, abs=0.002)
