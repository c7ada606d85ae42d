"""One batch on its way to a server that refuses some of it: what is found, and at what cost.

The server here is a rule on values, since no real one refuses at will; `tests/interop` has the real ones.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import ServerError, Trouble
from monitor.served.delivery import Channel, Delivery
from monitor.store.mirrored_place import Point

Value = tuple[int, str, str, float]
NAMES = ("battery_voltage_V", "battery_current_A", "array_power_W")


def values_of(points: Sequence[Point]) -> set[Value]:
    return {(p.time_ms, p.device, name, value) for p in points for name, value in p.values.items()}


class Strict:
    """Takes a request whole or refuses it whole, as its rule on single values says; counts requests."""

    def __init__(self, refuses: Callable[[Value], bool]) -> None:
        self._refuses = refuses
        self.there: set[Value] = set()
        self.requests = 0

    def write(self, points: Sequence[Point]) -> None:
        self.requests += 1
        if any(self._refuses(value) for value in values_of(points)):
            raise ServerError("no", Trouble.CONTENT)
        self.there |= values_of(points)


def batch(count: int) -> list[Point]:
    return [Point(number, "shunt", {name: float(number) for name in NAMES}) for number in range(count)]


@given(st.integers(1, 60), st.data())
def test_exactly_what_is_refused_is_set_aside_where_it_is_little(count: int, data: st.DataObject) -> None:
    """Up to two bad values a channel, fewer than make it doubtful."""
    bad = {
        (number, name)
        for name in NAMES
        for number in data.draw(st.sets(st.integers(0, count - 1), max_size=2), label=name)
    }
    server = Strict(lambda value: (value[0], value[2]) in bad)
    delivery = Delivery(server.write, set())
    delivery.run(batch(count))
    aside = values_of([point for point, _ in delivery.refused])
    assert aside == {value for value in values_of(batch(count)) if (value[0], value[2]) in bad}
    assert server.there == values_of(batch(count)) - aside
    assert all(words == "no" and len(point.values) == 1 for point, words in delivery.refused)


@given(st.integers(1, 60), st.data())
def test_every_value_ends_there_or_aside(count: int, data: st.DataObject) -> None:
    bad = data.draw(st.sets(st.tuples(st.integers(0, count - 1), st.sampled_from(NAMES))))
    server = Strict(lambda value: (value[0], value[2]) in bad)
    delivery = Delivery(server.write, set())
    delivery.run(batch(count))
    aside = [value for point, _ in delivery.refused for value in values_of([point])]
    assert len(aside) == len(set(aside))
    assert server.there | set(aside) == values_of(batch(count))
    assert not server.there & set(aside)


@pytest.mark.parametrize("boundary", [0, 1, 500, 999, 1000])
def test_what_lies_beyond_a_servers_memory_costs_few_requests(boundary: int) -> None:
    server = Strict(lambda value: value[0] < boundary)
    delivery = Delivery(server.write, set())
    delivery.run(batch(1000))
    assert {point.time_ms for point, _ in delivery.refused} == set(range(boundary))
    assert server.there == {value for value in values_of(batch(1000)) if value[0] >= boundary}
    # a search over 1000 lines takes 10 halvings, both ways, for each of three refusals of three channels
    assert server.requests < 2 * 10 * 9


def test_a_channel_in_doubt_is_tried_by_its_newest_value_and_trusted_again() -> None:
    doubtful: set[Channel] = {("shunt", "battery_current_A")}
    server = Strict(lambda value: False)
    Delivery(server.write, doubtful).run(batch(100))
    assert server.there == values_of(batch(100))
    assert server.requests == 3, "the others, the trial, what the trial was for"
    assert doubtful == set()


def test_any_other_trouble_ends_the_delivery() -> None:
    def write(points: Sequence[Point]) -> None:
        raise ServerError("hub: cannot be reached", Trouble.UNREACHABLE)

    with pytest.raises(ServerError, match="cannot be reached"):
        Delivery(write, set()).run(batch(10))
