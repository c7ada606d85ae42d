"""Events and alarms' transitions while the card stays full: bounded, and what is rare is kept.

How many may wait is our own choice (monitor/store/waiting.py). max_page_count makes SQLite itself answer
'full', as a full disk does.
"""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import StoreError
from monitor.records import LATEST_MS, Event, Transition
from monitor.store.embedded import open_reader, open_writer
from monitor.store.waiting import MOST_TOLD, newest_of_each

NOON = 1_795_608_000_000
EVERY_MS = 2_000
CHATTER = 3 * MOST_TOLD


def step(time_ms: int, alarm: str, after: str) -> Transition:
    return Transition(time_ms, alarm, "normal", after, "raised", "high", f"{alarm} at {time_ms}")


def test_weeks_with_a_full_card_keep_what_is_rare_and_tell_what_was_let_go(tmp_path: Path) -> None:
    """One alarm and one device come and go all the time; another alarm is raised once, at the beginning."""
    path = tmp_path / "store.db"
    with closing(open_writer(path, "UTC")) as writer:
        writer.put_note("settled", "now")
        writer.commit()
        (pages,) = writer._connection.execute("PRAGMA page_count").fetchone()
        writer._connection.execute(f"PRAGMA max_page_count = {pages}")
        writer.add_transition(step(NOON, "bank too cold", "raised"))
        writer.add_event(Event(NOON, "start", "", "The monitor has started again."))
        for number in range(CHATTER):
            time_ms = NOON + number * EVERY_MS
            writer.add_transition(step(time_ms, "charger silent", ("raised", "normal")[number % 2]))
            writer.add_event(Event(time_ms, "device", "charger", f"change {number}"))
            if number % 100 == 99:
                with pytest.raises(StoreError, match="the disk is full; make room"):
                    writer.commit()
                assert len(writer.events(0, LATEST_MS, limit=10**6)) <= MOST_TOLD + 100 + 1
                assert len(writer.transitions(0, LATEST_MS, limit=10**6)) <= MOST_TOLD + 100
        writer._connection.execute("PRAGMA max_page_count = 1000000")
        writer.commit()
        writer.add_event(Event(NOON + CHATTER * EVERY_MS, "start", "", "Afterwards."))
        writer.commit()
    with closing(open_reader(path)) as reader:
        transitions = reader.transitions(0, LATEST_MS, limit=10**6)
        events = reader.events(0, LATEST_MS, limit=10**6)
    assert [each.text for each in transitions if each.alarm == "bank too cold"] == [
        f"bank too cold at {NOON}"
    ]
    chatter = [each.time_ms for each in reversed(transitions) if each.alarm == "charger silent"]
    newest_ms = NOON + (CHATTER - 1) * EVERY_MS
    assert chatter == list(range(chatter[0], newest_ms + 1, EVERY_MS)), "the newest without a gap"
    changes = [each for each in events if each.kind == "device"]
    assert changes[0].text == f"change {CHATTER - 1}"
    gone = 2 * CHATTER - len(chatter) - len(changes)
    (told,) = [each.text for each in events if each.kind == "store"]
    assert f"that {gone} events and steps of alarms were let go" in told
    assert [each.text for each in events if each.kind == "start"][-1] == "The monitor has started again."


@given(st.lists(st.integers(0, 5), max_size=200), st.integers(2, 60))
def test_of_each_name_the_newest_stay_in_their_order(names: list[int], most: int) -> None:
    waiting = list(enumerate(names))
    kept = newest_of_each(waiting, most, lambda each: each[1])
    assert kept == sorted(kept)
    if len(waiting) <= most:
        assert kept == waiting
        return
    assert len(kept) <= max(most // 2, len(set(names)))
    numbers = {name: [each for each in kept if each[1] == name] for name in set(names)}
    for name, some in numbers.items():
        assert some == [each for each in waiting if each[1] == name][-len(some) :]
        if len(some) < names.count(name):  # nobody else kept more than one that lost some
            assert all(len(others) <= len(some) for others in numbers.values())
