"""Numbers, columns and steps packed and unpacked: what goes in comes out, noise packs near its entropy."""

from __future__ import annotations

import random
from collections import Counter
from itertools import pairwise
from math import log2
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.local_days import day_at
from monitor.records import HOUR_MS
from monitor.store.days import DaySum, gaps_of
from monitor.store.pack import (
    channels_in,
    join_columns,
    pack_column,
    pack_numbers,
    pack_pairs,
    split_columns,
    unpack_numbers,
    unpack_pairs,
)
from monitor.store.tiers import FIVE_MINUTES_MS, join_steps, pack_steps, sum_steps, unpack_steps

WHOLE = st.integers(-(2**53), 2**53)
NEAR = st.integers(-300, 300)


@given(
    numbers=st.one_of(st.lists(WHOLE), st.lists(NEAR), st.lists(NEAR.map(lambda n: n * 1000))),
    steady=st.booleans(),
)
def test_numbers_come_out_as_they_went_in(numbers: list[int], steady: bool) -> None:
    assert list(unpack_numbers(pack_numbers(numbers, steady=steady))) == numbers


@pytest.mark.parametrize(
    "numbers",
    [[5], [7, 7, 7], [10, 5, 0], [0, 127, -1], [0, 128], [0, -128], [0, -129], [0, 2**15], [0, 2**31]],
)
def test_numbers_at_the_widths_edges_come_out_as_they_went_in(numbers: list[int]) -> None:
    assert list(unpack_numbers(pack_numbers(numbers))) == numbers


def test_a_steady_clock_takes_one_line_however_long_it_is() -> None:
    clock = range(1_795_478_400_000, 1_795_500_000_000, 5000)
    assert len(pack_numbers(clock)) < 30
    assert unpack_numbers(pack_numbers(clock)) == clock


@pytest.mark.parametrize("noise", [0.4, 0.8, 5.0])
def test_six_hours_of_noise_pack_near_their_entropy(noise: float) -> None:
    """Beside the order-0 entropy of the differences (Shannon 1948), which no code of single ones gets below.

    Deflate spends whole bits a symbol (RFC 1951), most too many where one value is frequent, and some 60
    bytes to say its codes; 1.3 times is our choice.
    """
    for seed in range(3):
        rng = random.Random(seed)
        level, values = 2000.0, []
        for _ in range(4320):
            level += rng.gauss(0, noise)
            values.append(round(level) * 10)
        counts = Counter(after - before for before, after in pairwise(values))
        bits = -sum(count * log2(count / 4319) for count in counts.values())
        assert len(pack_numbers(values)) <= 1.3 * bits / 8 + 60, f"noise {noise}, seed {seed}"


@given(
    columns=st.dictionaries(
        st.integers(1, 2000),
        st.dictionaries(st.integers(0, 2**43), WHOLE, min_size=1, max_size=20),
        min_size=1,
        max_size=5,
    )
)
def test_a_block_gives_each_channel_its_own_column_back(columns: dict[int, dict[int, int]]) -> None:
    packed = {
        channel: pack_column(sorted(there), [there[at] for at in sorted(there)])
        for channel, there in columns.items()
    }
    head, body = join_columns(packed)
    assert channels_in(head) == list(columns)
    assert split_columns(head, body) == packed
    for channel, there in columns.items():
        (column,) = split_columns(head, body, channel).values()
        times, values = column.unpack()
        assert dict(zip(times, values, strict=True)) == there
    assert split_columns(head, body, 4000) == {}


def test_channels_of_one_poll_share_their_clock() -> None:
    times = [random.Random(3).randrange(10**6) + number * 10**6 for number in range(1000)]
    alone = len(join_columns({1: pack_column(times, [0] * 1000)})[1])
    both = len(join_columns({1: pack_column(times, [0] * 1000), 2: pack_column(times, [0] * 1000)})[1])
    assert both - alone < 50


@given(
    readings=st.dictionaries(st.integers(0, 30 * HOUR_MS), WHOLE, min_size=1, max_size=60),
    length_ms=st.sampled_from([FIVE_MINUTES_MS, HOUR_MS]),
)
def test_steps_say_count_lowest_sum_and_highest_and_come_out_as_they_went_in(
    readings: dict[int, int], length_ms: int
) -> None:
    times = sorted(readings)
    steps = sum_steps(times, [readings[at] for at in times], length_ms)
    plain: dict[int, list[int]] = {}
    for at in times:
        plain.setdefault(at // length_ms, []).append(readings[at])
    assert steps == [(n, len(v), min(v), sum(v), max(v)) for n, v in sorted(plain.items())]
    assert unpack_steps(pack_steps(steps)) == steps


@given(readings=st.dictionaries(st.integers(0, 30 * HOUR_MS), WHOLE, min_size=1, max_size=60))
def test_five_minutes_add_up_to_hours(readings: dict[int, int]) -> None:
    times = sorted(readings)
    values = [readings[at] for at in times]
    assert join_steps(sum_steps(times, values, FIVE_MINUTES_MS), 0, 12) == sum_steps(times, values, HOUR_MS)


@given(pairs=st.lists(st.tuples(st.integers(0, 2**43), st.integers(0, 2**43)), max_size=5))
def test_pairs_come_out_as_they_went_in(pairs: list[tuple[int, int]]) -> None:
    assert unpack_pairs(pack_pairs(pairs)) == pairs


@given(
    times=st.sets(st.integers(0, 24 * HOUR_MS - 1), min_size=1, max_size=60),
    values=st.lists(st.integers(-9, 9), min_size=60, max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=6),
)
def test_a_day_taken_in_runs_is_to_the_last_bit_the_day_taken_one_by_one(
    times: set[int], values: list[int], cuts: list[int]
) -> None:
    ordered = sorted(times)
    one_by_one, in_runs = DaySum(day_at(ZoneInfo("UTC"), 0)), DaySum(day_at(ZoneInfo("UTC"), 0))
    for at, value in zip(ordered, values, strict=False):
        one_by_one.add(at, value)
    for start, end in pairwise([0, *sorted(cuts), 60]):
        in_runs.extend(ordered[start:end], values[: len(ordered)][start:end])
    assert in_runs == one_by_one
    assert in_runs.stat("shunt", "battery_current_A", 1000) == one_by_one.stat(
        "shunt", "battery_current_A", 1000
    )
    assert gaps_of(ordered) == (one_by_one.gap_limit_ms(), one_by_one.gaps())
