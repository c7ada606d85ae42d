"""What every store keeps of alarms: states, transitions with their values, and what people ask."""

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.records import AlarmState, Condition, Request, Transition
from tests.contract.engines import Engine, Pair
from tests.contract.test_store_contract import NOON, engine, store

__all__ = ["engine", "store"]  # fixtures


def transition(at: int, alarm: str = "Low voltage") -> Transition:
    return Transition(
        NOON + at, alarm, Condition.NORMAL, Condition.UNACKNOWLEDGED, "raised", "high", f"{alarm}: 11.5 V",
        {"battery_voltage_V": 11.5, "battery_current_A": None}, "", NOON + 3_600_000,
    )  # fmt: skip


@pytest.mark.parametrize("condition", list(Condition))
def test_every_state_comes_back_as_it_was_put(store: Pair, condition: Condition) -> None:
    state = AlarmState(
        "Low voltage",
        condition,
        NOON,
        "high",
        11.5,
        "text",
        NOON - 1,
        NOON - 2,
        NOON - 3,
        NOON + 4,
        True,
        True,
    )
    bare = AlarmState("Bank too hot", condition, NOON, "medium", None, "")
    for each in (state, bare):
        store.writer.put_alarm(each)
    store.writer.commit()
    assert store.reader.alarms() == [bare, state]
    assert store.reader.alarms()[1].stands == state.stands


def test_transitions_come_newest_first_within_span_and_limit_with_their_values(store: Pair) -> None:
    told = [transition(at, f"alarm {at}") for at in range(5)]
    for each in told:
        store.writer.add_transition(each)
    assert store.writer.transitions(NOON, NOON + 5) == told[::-1]
    assert store.reader.transitions(NOON, NOON + 5) == []
    store.writer.commit()
    found = store.reader.transitions(NOON + 1, NOON + 4)
    assert [replace(each, id=0) for each in found] == told[3:0:-1]
    assert len({each.id for each in found}) == 3
    assert all(each.id > 0 for each in found)
    assert [each.alarm for each in store.reader.transitions(NOON, NOON + 5, limit=2)] == [
        "alarm 4",
        "alarm 3",
    ]


def test_transitions_of_one_moment_come_the_later_told_first(store: Pair) -> None:
    for name in ("first", "second"):
        store.writer.add_transition(transition(0, name))
    store.writer.commit()
    assert [each.alarm for each in store.reader.transitions(NOON, NOON + 1)] == ["second", "first"]


def test_a_request_is_open_until_it_is_done_and_keeps_its_outcome(store: Pair) -> None:
    asked = Request(NOON, "shelve", "Low voltage", {"for_s": 3600.0}, "a test")
    first = store.leave(asked)
    second = store.leave(replace(asked, kind="acknowledge", details={}))
    assert second > first
    assert [request.id for request in store.writer.open_requests()] == [first, second]
    assert replace(store.writer.open_requests()[0], id=0) == asked
    done = replace(store.writer.open_requests()[0], done_ms=NOON + 1, outcome="Low voltage: shelved.")
    store.writer.put_request(done)
    assert [request.id for request in store.writer.open_requests()] == [second]
    assert store.reader.request(first).done_ms is None  # nothing is durable before the commit
    store.writer.commit()
    assert store.reader.request(first) == done
    assert [request.id for request in store.reader.open_requests()] == [second]
    assert store.reader.request(second + 1) is None


def test_a_request_waits_for_a_daemon_that_does_not_run_yet(engine: Engine, tmp_path: Path) -> None:
    with engine.open_writer(tmp_path, "UTC") as writer:
        writer.put_note("made", "by the daemon")
        writer.commit()
    number = engine.leave_request(tmp_path, Request(NOON, "acknowledge", "Low voltage"))
    with engine.open_writer(tmp_path, "UTC") as writer:
        assert [request.id for request in writer.open_requests()] == [number]


def test_without_a_store_a_request_is_refused_in_words(engine: Engine, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"start .*daemon"):
        engine.leave_request(tmp_path, Request(NOON, "acknowledge", "Low voltage"))
