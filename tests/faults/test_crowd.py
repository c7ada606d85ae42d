"""Whoever in the network opens connections and says nothing on them does not keep the page from others."""

from __future__ import annotations

import socket
from contextlib import ExitStack
from dataclasses import dataclass, field
from urllib.request import urlopen

import pytest

from dashboard.crowd import MOST, too_many
from tests.browser.conftest import Hide

HALF = b"GET / HTTP/1.1\r\nHost: localh"
HELD = 150
"""More than the hundred that waitress holds (waitress, 'connection_limit')."""


@pytest.fixture
def hut(tmp_path):
    hide = Hide(tmp_path)
    hide.store(hide.present({"battery_voltage_V": 12.4}))
    hide.serve()
    yield hide
    hide.end()


def test_half_requests_on_many_connections_do_not_keep_the_page_from_others(hut):
    with ExitStack() as held:
        for _ in range(HELD):
            mute = held.enter_context(socket.create_connection(("127.0.0.1", hut.port), timeout=20))
            mute.sendall(HALF)
        with urlopen(hut.url, timeout=20) as answer:
            assert answer.status == 200


@dataclass
class Open:
    """A connection as waitress keeps it."""

    addr: tuple[str, int]
    last_activity: float
    requests: list[str] = field(default_factory=list)
    will_close: bool = False


def crowd(address, count=MOST, **changes):
    return [Open((address, 40_000 + at), 100.0 + at, **changes) for at in range(count)]


def test_the_one_that_was_idle_for_longest_goes():
    there = crowd("192.0.2.7")
    new = Open(("192.0.2.7", 50_000), 200.0)
    there[0].requests.append("is being answered")
    assert too_many(new, [*there, new]) is there[1]
    there[1].will_close = True  # it leaves already
    assert too_many(new, [*there, new]) is None


def test_other_addresses_are_left_alone():
    new = Open(("192.0.2.8", 50_000), 200.0)
    assert too_many(new, [*crowd("192.0.2.7"), new]) is None


def test_the_addresses_of_one_household_count_as_one():
    """A browser may change the last 64 bits of its IPv6 address at will (RFC 8981)."""
    there = [Open((f"2001:db8::{at:x}", 1), float(at)) for at in range(MOST)]
    new = Open(("2001:db8::ffff", 1), 200.0)
    assert too_many(new, [*there, new]) is there[0]


def test_where_all_are_being_answered_the_new_one_goes():
    new = Open(("192.0.2.7", 50_000), 200.0)
    assert too_many(new, [*crowd("192.0.2.7", requests=["busy"]), new]) is new
