"""Phones that ask for the first page at the same moment get one answer, never one from before a commit."""

from __future__ import annotations

import gzip
import time
from contextlib import closing
from pathlib import Path
from threading import Barrier, Thread

import pytest
from flask.testing import FlaskClient

from dashboard import local, look
from dashboard.app import make_app
from dashboard.shared import KEPT, SAME_S, Shared, state_of
from monitor.records import Reading
from monitor.site.load import load_site
from monitor.store.embedded import leave_request, open_reader, open_writer
from tests.unit.site_files import MARSH_HIDE, write


class Clock:
    """Seconds that pass when they are told to."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class Maker:
    """Counts how often the answer was made."""

    def __init__(self, takes_s: float = 0.0) -> None:
        self.times, self._takes_s = 0, takes_s

    def __call__(self) -> bytes:
        self.times += 1
        time.sleep(self._takes_s)
        return str(self.times).encode()


def test_those_who_ask_at_once_wait_for_one_answer() -> None:
    shared, make, start = Shared(Clock()), Maker(takes_s=0.05), Barrier(20)
    heard: list[bytes] = []

    def ask() -> None:
        start.wait()
        heard.append(shared.answer("/", make))

    threads = [Thread(target=ask) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert heard == [b"1"] * 20


def test_an_answer_is_given_again_for_a_second_from_when_it_was_made() -> None:
    clock = Clock()
    shared, make = Shared(clock), Maker()
    assert shared.answer("/", make) == b"1"
    clock.now_s += SAME_S / 2
    assert shared.answer("/", make) == b"1"
    clock.now_s += SAME_S / 2
    assert shared.answer("/", make) == b"2"


def test_who_asks_otherwise_is_answered_otherwise_and_few_answers_are_kept() -> None:
    shared, make = Shared(Clock()), Maker()
    heard = [shared.answer(asked, make) for asked in range(KEPT + 1)]
    assert len(set(heard)) == KEPT + 1
    assert shared.answer(KEPT, make) == heard[-1]
    assert shared.answer(0, make) not in heard, "the oldest has made room"


def test_a_failure_is_told_and_not_kept() -> None:
    shared = Shared(Clock())

    def fail() -> bytes:
        raise RuntimeError("no store")

    with pytest.raises(RuntimeError, match="no store"):
        shared.answer("/", fail)
    assert shared.answer("/", Maker()) == b"1"


def commit(store: Path, voltage_V: float) -> None:
    with closing(open_writer(store, "Europe/London")) as writer:
        writer.append([Reading(time.time_ns() // 1_000_000, "charger", "battery_voltage_V", voltage_V)])
        writer.commit()


def test_each_commit_gives_the_store_another_state(tmp_path: Path) -> None:
    store = tmp_path / "nightbank.db"
    seen = {state_of(store)}
    with closing(open_writer(store, "Europe/London")) as writer:
        for step in range(20):
            writer.append([Reading(1_700_000_000_000 + step, "charger", "battery_voltage_V", 12.5)])
            writer.commit()
            time.sleep(0.01)  # two ticks of the kernel's clock, by which files are stamped
            seen.add(state_of(store))
    assert len(seen) == 21


@pytest.fixture
def visitor(tmp_path: Path) -> FlaskClient:
    site, store = load_site(write(tmp_path, MARSH_HIDE)), tmp_path / "nightbank.db"
    return make_app(
        lambda: open_reader(store), site, store, lambda asked: leave_request(store, asked)
    ).server.test_client()


def seen_V(visitor: FlaskClient, **headers: str) -> str:
    answer = visitor.get("/", headers={"Host": "localhost", **headers})
    text = gzip.decompress(answer.data) if "Accept-Encoding" in headers else answer.data
    return text.decode().partition('data-quantity="battery_voltage_V"')[2][:80]


def test_what_was_committed_a_moment_ago_is_on_the_page(visitor: FlaskClient, tmp_path: Path) -> None:
    for voltage_V in (12.4, 12.6, 12.7):
        commit(tmp_path / "nightbank.db", voltage_V)
        assert f">{voltage_V} V<" in seen_V(visitor)
        assert f">{voltage_V} V<" in seen_V(visitor, **{"Accept-Encoding": "gzip"})


def test_each_phone_gets_its_own_form_and_light(visitor: FlaskClient, tmp_path: Path) -> None:
    commit(tmp_path / "nightbank.db", 12.41)
    assert "12.4 V" in seen_V(visitor)
    visitor.set_cookie(local.COOKIE, "cp24dmy", domain="localhost")
    assert "12,4 V" in seen_V(visitor)
    visitor.delete_cookie(local.COOKIE, domain="localhost")
    assert "12.4 V" in seen_V(visitor)
    visitor.set_cookie(look.COOKIE, "night", domain="localhost")
    lit = visitor.get("/", headers={"Host": "localhost"}).get_data(as_text=True)
    assert 'data-look="night"' in lit
