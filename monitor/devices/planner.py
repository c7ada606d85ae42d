"""The fewest and cheapest requests that fetch all points of a register map. Pure.

A request costs a fixed part (framing, silent intervals, the device's turnaround) and a part per register;
reading a few registers nobody asked for is cheaper than another request, until it is not: at 9600 baud
about twelve.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.devices.profile import Gap, Point


@dataclass(frozen=True, slots=True)
class Cost:
    """Seconds a request takes on a line: request_s whatever it reads, register_s for each register."""

    request_s: float
    register_s: float

    def of(self, count: int) -> float:
        """Seconds for one request of `count` registers."""
        return self.request_s + count * self.register_s


@dataclass(frozen=True, slots=True)
class Request:
    """One read: `count` registers from `address` with `function`, and the points it answers."""

    function: int
    address: int
    count: int
    points: tuple[Point, ...]


NETWORK_COST = Cost(request_s=0.002, register_s=2e-6)
"""A request over Modbus TCP. Our choice: a small network's round trip, two bytes at 10 Mbit/s a register."""


def plan(
    points: Iterable[Point], gaps: Sequence[Gap], largest_request: int, cost: Cost
) -> tuple[Request, ...]:
    """The cheapest requests for the points, the fewest among equally cheap ones.

    Never splits a point, mixes functions, reads a gap or exceeds largest_request registers. A request's
    cost grows with its span only, so some optimum takes the sorted points in runs; dynamic programming
    over the places to cut finds it. Raises ValueError for a point that no allowed request can hold.
    """
    wanted = list(points)
    requests: list[Request] = []
    for function in sorted({point.function for point in wanted}):
        ordered = sorted((point for point in wanted if point.function == function), key=lambda p: p.address)
        forbidden = [gap for gap in gaps if gap.function == function]
        requests.extend(_plan_one(function, ordered, forbidden, largest_request, cost))
    return tuple(requests)


def _plan_one(
    function: int, points: Sequence[Point], gaps: Sequence[Gap], largest_request: int, cost: Cost
) -> list[Request]:
    best: list[tuple[float, int, int]] = [(0.0, 0, 0)]  # up to a cut: seconds, requests, the cut before
    for end in range(1, len(points) + 1):
        options = []
        for start in range(end - 1, -1, -1):
            span = points[end - 1].end - points[start].address
            if span > largest_request or _crosses(points[start].address, points[end - 1].end, gaps):
                break  # a run that begins earlier spans more still
            seconds, requests, _ = best[start]
            # equal costs must compare equal, whatever the order of the additions
            options.append((round(seconds + cost.of(span), 12), requests + 1, start))
        if not options:
            point = points[end - 1]
            raise ValueError(f"{point.quantity} at register {point.address} fits no allowed request")
        best.append(min(options))
    requests_back: list[Request] = []
    end = len(points)
    while end:
        start = best[end][2]
        address = points[start].address
        run = tuple(points[start:end])
        requests_back.append(Request(function, address, run[-1].end - address, run))
        end = start
    return requests_back[::-1]


def _crosses(first: int, end: int, gaps: Sequence[Gap]) -> bool:
    return any(gap.first < end and gap.last >= first for gap in gaps)
