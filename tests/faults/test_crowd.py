"""Whoever opens connections and says or reads nothing on them does not keep the page from others."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, field
from urllib.request import urlopen

import pytest
from waitress.server import create_server

from dashboard import crowd
from dashboard.app import CHART_LIBRARY
from dashboard.crowd import CROWDED_S, IDLE_S, MOST, REQUEST_S, keep_room, outstays, too_many
from dashboard.server import THREADS
from tests.browser.conftest import Hide
from tests.ports import free_port
from tests.waiting import wait_for

HALF = b"GET / HTTP/1.1\r\nHost: localh"
HELD = 150
"""More than the hundred that waitress holds (waitress, 'connection_limit')."""


@pytest.fixture(scope="module")
def hut(tmp_path_factory):
    hide = Hide(tmp_path_factory.mktemp("hut"))
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


def test_half_requests_from_many_addresses_do_not_keep_it_from_others_either(hut):
    """All of 127.0.0.0/8 is this computer (RFC 1122, 3.2.1.3), so each may be another address to the page."""
    with ExitStack() as held:
        for at in range(HELD):
            given = {"timeout": 20, "source_address": (f"127.0.1.{1 + at}", 0)}
            mute = held.enter_context(socket.create_connection(("127.0.0.1", hut.port), **given))
            mute.sendall(HALF)
        with urlopen(hut.url, timeout=20) as answer:  # sooner than idle ones are closed
            assert answer.status == 200


LARGE = 32 * 1024 * 1024
"""Twice what waitress holds of answers before the thread that makes one has to wait (waitress,
'outbuf_high_watermark'), and more than a socket holds."""


@contextmanager
def serving(threads=1):
    """A waitress server as the page has it; / is a short answer, the others are LARGE."""

    def app(environ, start_response):
        size = 2 if environ["PATH_INFO"] == "/" else LARGE
        start_response("200 OK", [("Content-Length", str(size))])
        piece = 65_536 if environ["PATH_INFO"] == "/pieces" else size
        return (b"x" * piece for _ in range(size // piece))

    server = create_server(app, host="127.0.0.1", port=free_port(), threads=threads)
    keep_room(server)
    runner = threading.Thread(target=server.run, daemon=True)
    runner.start()
    try:
        yield server
    finally:
        server.trigger.pull_trigger(server.close)
        server.task_dispatcher.shutdown()
        runner.join(20)


def begun(server, request):
    """A connection on which a request was sent."""
    link = socket.create_connection(("127.0.0.1", server.effective_port), timeout=20)
    link.sendall(request)
    return link


def what_comes(link):
    """How many bytes can be read until the end."""
    got = 0
    with suppress(ConnectionError):
        while more := len(link.recv(1 << 20)):
            got += more
    return got


def trickle(link):
    """A letter now and then, for 20 s."""
    for _ in range(400):
        link.sendall(b"x")
        time.sleep(0.05)


def test_a_browser_that_never_reads_its_answer_gives_back_its_place(monkeypatch):
    monkeypatch.setattr(crowd, "IDLE_S", 1)
    with serving() as server, closing(begun(server, b"GET /whole HTTP/1.1\r\n\r\n")) as link:
        wait_for(lambda: server.active_channels, "the browser is connected")
        wait_for(lambda: not server.active_channels, "its connection is closed")
        assert what_comes(link) < LARGE


def test_a_browser_that_never_reads_does_not_hold_the_thread_that_makes_its_answer():
    with serving(threads=1) as server, closing(begun(server, b"GET /pieces HTTP/1.1\r\n\r\n")) as link:
        with urlopen(f"http://127.0.0.1:{server.effective_port}/", timeout=20) as answer:
            assert answer.read() == b"xx"
        assert what_comes(link) < LARGE


def test_a_few_that_ask_for_much_and_read_nothing_do_not_keep_it_from_others(hut):
    """Requests one behind the other without waiting for answers: RFC 9112, 9.3.2."""
    much = f"GET {CHART_LIBRARY} HTTP/1.1\r\nHost: 127.0.0.1:{hut.port}\r\n\r\n".encode() * 80
    with ExitStack() as held:
        for _ in range(2 * THREADS):
            greedy = held.enter_context(socket.create_connection(("127.0.0.1", hut.port), timeout=20))
            greedy.sendall(much)
        time.sleep(1)  # so that they are under way
        with urlopen(hut.url, timeout=20) as answer:  # sooner than idle ones are closed
            assert answer.status == 200


def test_a_request_that_comes_letter_by_letter_is_not_waited_for(monkeypatch):
    monkeypatch.setattr(crowd, "REQUEST_S", 1)
    with serving() as server, closing(begun(server, b"GET / HT")) as link, pytest.raises(ConnectionError):
        trickle(link)


@dataclass
class Open:
    """A connection as waitress keeps it."""

    addr: tuple[str, int]
    last_activity: float
    requests: list[str] = field(default_factory=list)
    will_close: bool = False
    total_outbufs_len: int = 0
    asking_since_s: float | None = None


def crowd_of(address, count=MOST, **changes):
    return [Open((address, 40_000 + at), 100.0 + at, **changes) for at in range(count)]


def test_the_one_that_was_idle_for_longest_goes():
    there = crowd_of("192.0.2.7")
    new = Open(("192.0.2.7", 50_000), 200.0)
    there[0].requests.append("is being answered")
    assert too_many(new, [*there, new]) is there[1]
    there[1].will_close = True  # it leaves already
    assert too_many(new, [*there, new]) is None


def test_other_addresses_are_left_alone():
    new = Open(("192.0.2.8", 50_000), 200.0)
    assert too_many(new, [*crowd_of("192.0.2.7"), new]) is None


def test_the_addresses_of_one_household_count_as_one():
    """A browser may change the last 64 bits of its IPv6 address at will (RFC 8981)."""
    there = [Open((f"2001:db8::{at:x}", 1), float(at)) for at in range(MOST)]
    new = Open(("2001:db8::ffff", 1), 200.0)
    assert too_many(new, [*there, new]) is there[0]


def test_where_all_are_being_answered_the_new_one_goes():
    new = Open(("192.0.2.7", 50_000), 200.0)
    assert too_many(new, [*crowd_of("192.0.2.7", requests=["busy"]), new]) is new


@pytest.mark.parametrize(
    ("crowded", "idle_s", "request_s"), [(False, IDLE_S, REQUEST_S), (True, *2 * [CROWDED_S])]
)
def test_who_uses_a_connection_keeps_it_and_in_a_crowd_others_soon_make_room(crowded, idle_s, request_s):
    reading = Open(("192.0.2.7", 50_000), last_activity=1000.0, requests=["busy"], total_outbufs_len=1)
    assert not outstays(reading, 1000.0 + idle_s, crowded=crowded)
    assert outstays(reading, 1001.0 + idle_s, crowded=crowded)
    idle = Open(("192.0.2.7", 50_000), last_activity=1000.0)
    assert not outstays(idle, 1000.0 + idle_s, crowded=crowded)
    assert outstays(idle, 1001.0 + idle_s, crowded=crowded)
    answered = Open(("192.0.2.7", 50_000), last_activity=1000.0, requests=["busy"])
    assert not outstays(answered, 1000.0 + 100 * idle_s, crowded=crowded)
    asking = Open(("192.0.2.7", 50_000), last_activity=1000.0 + request_s, asking_since_s=1000.0)
    assert not outstays(asking, 1000.0 + request_s, crowded=crowded)
    assert outstays(asking, 1001.0 + request_s, crowded=crowded)
