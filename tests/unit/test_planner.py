"""The plan of requests is the cheapest there is, and keeps every rule."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from monitor.devices.planner import NETWORK_COST, Cost, Request, plan
from monitor.devices.profile import Gap, ModbusProfile, Point
from monitor.devices.profile_file import find_profile
from monitor.devices.words import REGISTERS, Meaning

SLOW = Cost(request_s=0.028, register_s=0.0023)  # about 9600 baud
FAST = Cost(request_s=0.0095, register_s=0.00019)  # about 115200 baud


def point(address: int, encoding: str = "u16", function: int = 4) -> Point:
    return Point(f"q{function}-{address}", function, address, encoding, "high_first", Meaning())


def total(requests: Sequence[Request], cost: Cost) -> float:
    return sum(cost.of(request.count) for request in requests)


def test_neighbours_are_one_request() -> None:
    (request,) = plan([point(3), point(1), point(2)], [], 125, SLOW)
    assert (request.function, request.address, request.count) == (4, 1, 3)


def test_a_hole_is_read_across_while_that_is_cheaper_than_a_request() -> None:
    # break-even by hand: 0.028 / 0.0023 = 12.2 registers
    assert len(plan([point(0), point(13)], [], 125, SLOW)) == 1
    assert len(plan([point(0), point(14)], [], 125, SLOW)) == 2
    assert len(plan([point(0), point(14)], [], 125, FAST)) == 1


def test_a_forbidden_gap_is_never_read() -> None:
    requests = plan([point(700), point(708), point(712, "f32")], [Gap(4, 709, 711)], 24, SLOW)
    assert [(r.address, r.count) for r in requests] == [(700, 9), (712, 2)]
    assert len(plan([point(708), point(712)], [Gap(3, 709, 711)], 24, SLOW)) == 1  # the other function's gap


def test_functions_are_never_mixed() -> None:
    assert {r.function for r in plan([point(0), point(1, function=3)], [], 125, SLOW)} == {3, 4}


def test_a_long_map_is_cut_between_points_and_not_inside_one() -> None:
    requests = plan([point(a, "u32") for a in range(0, 20, 2)], [], 5, SLOW)
    assert all(r.count <= 5 and r.count % 2 == 0 for r in requests)
    assert len(requests) == 5


def test_a_point_that_fits_nowhere_is_told() -> None:
    with pytest.raises(ValueError, match="q4-7 at register 7 fits no allowed request"):
        plan([point(7, "u32")], [], 1, SLOW)


def test_the_marsh_charger_takes_three_requests_on_any_line() -> None:
    profile = find_profile("marsh-charger", Path())
    assert isinstance(profile, ModbusProfile)
    for cost in (SLOW, FAST, NETWORK_COST):
        requests = plan(profile.points, profile.gaps, profile.largest_request, cost)
        assert [(r.function, r.address, r.count) for r in requests] == [(3, 43, 2), (4, 700, 9), (4, 712, 4)]


def partitions(items: list[Point]) -> Iterator[list[list[Point]]]:
    """All ways to put the items into groups, in any combination: the brute force knows no runs."""
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for groups in partitions(rest):
        yield [[first], *groups]
        for at in range(len(groups)):
            yield [*groups[:at], [first, *groups[at]], *groups[at + 1 :]]


def brute_force(points: list[Point], gaps: list[Gap], largest: int, cost: Cost) -> tuple[float, int]:
    best = (float("inf"), 0)
    for groups in partitions(points):
        seconds = 0.0
        for group in groups:
            low, high = min(p.address for p in group), max(p.end for p in group)
            one_function = len({p.function for p in group}) == 1
            forbidden = any(
                address in range(gap.first, gap.last + 1) and gap.function == group[0].function
                for address in range(low, high)
                for gap in gaps
            )
            if not one_function or forbidden or high - low > largest:
                break
            seconds += cost.of(high - low)
        else:
            best = min(best, (round(seconds, 9), len(groups)))
    return best


def test_no_plan_beats_it() -> None:
    """Law: on small random maps the plan costs what the best of all groupings costs, with as few requests."""
    seed = 20261125
    rng = random.Random(seed)
    for case in range(250):
        points, gaps = _random_map(rng)
        largest = rng.randint(2, 30)
        cost = rng.choice([SLOW, FAST, NETWORK_COST, Cost(0.01, 0.001), Cost(0.003, 0.003)])
        requests = plan(points, gaps, largest, cost)
        found = (round(total(requests, cost), 9), len(requests))
        assert found == brute_force(points, gaps, largest, cost), (seed, case, points, gaps, largest, cost)
        assert sorted(p.quantity for r in requests for p in r.points) == sorted(p.quantity for p in points)
        for request in requests:
            assert all(
                request.address <= p.address and p.end <= request.address + request.count
                for p in request.points
            ), (seed, case)


def _random_map(rng: random.Random) -> tuple[list[Point], list[Gap]]:
    points, gaps, address = [], [], 0
    for _ in range(rng.randint(1, 7)):
        function = rng.choice([3, 4, 4])
        step = rng.choice([0, 0, 1, 2, 5, 14])
        if step and rng.random() < 0.3:
            gaps.append(Gap(function, address, address + step - 1))
        address += step
        encoding = rng.choice(list(REGISTERS))
        points.append(point(address, encoding, function))
        address = points[-1].end
    rng.shuffle(points)
    return points, gaps
