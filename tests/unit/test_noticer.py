"""Who is told when: at once, in a digest, after the quiet hours, again, and what is not told at all.

The rules are our own (`monitor/notices/policy.py`, issue of notices); the store and the HTTP server are real.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.notices import noticer
from monitor.notices.outbox import MOST_OPEN
from monitor.notices.policy import GATHER_MS, STORM_COUNT, STORM_MS
from monitor.notices.retry import FIRST_S, MOST_S, URGENT_MOST_S, wait_s
from monitor.notices.teller import MOST_REPEATS
from monitor.outlook import OUTLOOK_NOTE
from monitor.records import Quality, Reading, Request, iso_utc, parse_iso
from monitor.store.embedded import leave_request
from tests.faults.noticer_child import store
from tests.unit.notice_world import HOUR, MINUTE, NOON, World

LOW = "Low voltage"
EVENING = parse_iso("2026-11-24T22:30:00Z")
MORNING = parse_iso("2026-11-25T07:00:00Z")
QUIET = 'quiet_hours = "22:00-07:00"'


@pytest.fixture
def world(tmp_path: Path) -> Iterator[Callable[..., World]]:
    made: list[World] = []

    def make(**options: str) -> World:
        made.append(World(tmp_path, **options))
        return made[-1]

    yield make
    for each in made:
        each.__exit__(None, None, None)


@pytest.mark.parametrize(
    ("priority", "comes"), [("low", False), ("medium", False), ("high", True), ("urgent", True)]
)
def test_only_what_is_high_or_urgent_comes_at_once(world, priority: str, comes: bool) -> None:
    here = world()
    here.at(NOON, ("Sign", "raised", priority))
    assert bool(here.documents) is comes


def test_what_is_medium_comes_with_others_in_a_digest_and_low_only_on_the_page(world) -> None:
    here = world()
    here.at(NOON, ("Sign A", "raised", "medium"), ("Sign L", "raised", "low"))
    here.at(NOON + 20 * MINUTE, ("Sign B", "raised", "medium"))
    assert here.documents == []
    here.at(NOON + GATHER_MS)
    (digest,) = here.documents
    assert digest["kind"] == "digest"
    assert digest["text"] == "Sign A Tue 12:00; Sign B Tue 12:20"


def test_a_channel_gets_nothing_below_its_least_priority(world) -> None:
    here = world(channel='least_priority = "urgent"')
    here.at(NOON, ("A", "raised", "high"), ("B", "raised", "urgent"))
    assert [each["about"] for each in here.documents] == ["B"]


def test_quiet_hours_hold_back_all_but_what_is_urgent(world) -> None:
    here = world(notices=QUIET)
    here.at(EVENING, ("A", "raised", "high"), ("B", "raised", "urgent"), ("C", "raised", "medium"))
    here.go(EVENING, MORNING - MINUTE, 10 * MINUTE)
    assert {each["about"] for each in here.documents} == {"B"}
    here.at(MORNING)
    told = [each for each in here.documents if each["about"] != "B"]
    assert [each["about"] for each in told] == ["A", "C"]


def test_an_alarm_that_came_and_went_in_the_quiet_hours_wakes_nobody_and_is_told_once(world) -> None:
    here = world(notices=QUIET)
    here.at(EVENING, ("A", "raised", "high"), ("C", "raised", "medium"))
    here.at(EVENING + HOUR, ("A", "returned", "high"), ("C", "returned", "medium"))
    here.at(MORNING)
    assert here.said == [("came and went", "Came and went: A")]
    assert here.documents[0]["text"] == "A: It stood from Tue 22:30 to Tue 23:30 and is over."
    assert here.waiting == []


def test_the_last_told_alarm_to_end_is_the_all_clear(world) -> None:
    here = world()
    here.at(NOON, ("A", "raised", "high"), ("B", "raised", "high"))
    here.at(NOON + HOUR, ("A", "returned", "high"))
    here.at(NOON + 2 * HOUR, ("B", "returned", "high"))
    assert here.kinds == ["alarm", "alarm", "returned", "all clear"]


def test_an_all_clear_that_waits_is_taken_back_when_another_alarm_comes(world) -> None:
    here = world()
    here.at(NOON, ("A", "raised", "high"))
    here.server.set("down")
    here.at(NOON + MINUTE, ("A", "returned", "high"))
    here.at(NOON + 2 * MINUTE, ("B", "raised", "high"))
    here.server.set("ok")
    here.at(NOON + HOUR)
    assert [(kind, about["about"]) for kind, about in zip(here.kinds, here.documents, strict=True)] == [
        ("alarm", "A"),
        ("returned", "A"),
        ("alarm", "B"),
    ]
    assert "stands" not in here.documents[1]["text"]


def test_an_alarm_that_was_over_before_the_network_came_back_is_not_told_as_all_clear(world) -> None:
    here = world()
    here.server.set("down")
    here.at(NOON, ("A", "raised", "urgent"))
    here.at(NOON + HOUR, ("A", "returned", "urgent"))
    here.server.set("ok")
    here.at(NOON + 2 * HOUR)
    assert here.kinds == ["came and went"]


def test_what_is_worthless_by_the_time_the_network_is_back_is_not_sent(world) -> None:
    here = world()
    here.server.set("down")
    here.at(NOON, ("Will be low before morning", "raised", "high"), worthless_ms=NOON + 3 * HOUR)
    here.server.set("ok")
    here.at(NOON + 3 * HOUR)
    assert here.documents == []
    assert [each.state for each in here.writer.notices()] == ["expired"]


def test_a_storm_becomes_a_few_notices_and_one_digest(world) -> None:
    here = world()
    for number in range(STORM_COUNT + 6):
        here.at(NOON + number * MINUTE // 4, (f"Sign {number}", "raised", "high"))
    assert here.kinds == ["alarm"] * STORM_COUNT
    here.go(NOON + 4 * MINUTE, NOON + STORM_MS + MINUTE)
    assert here.kinds == ["alarm"] * STORM_COUNT + ["digest"]
    assert all(
        f"Sign {number} " in here.documents[-1]["text"] for number in range(STORM_COUNT, STORM_COUNT + 6)
    )


def test_every_sign_of_a_great_storm_is_named_in_some_digest(world) -> None:
    here = world()
    here.at(NOON, *((f"Sign with a rather long name {n}", "raised", "high") for n in range(30)))
    here.go(NOON, NOON + STORM_MS + 2 * MINUTE)
    told = " ".join(each["title"] + each["text"] for each in here.documents)
    assert all(f"Sign with a rather long name {n}" in told for n in range(30))
    assert all(len(each["text"]) <= 140 for each in here.documents)


def test_an_urgent_alarm_never_waits_for_a_storm_to_end(world) -> None:
    here = world()
    here.at(NOON, *((f"Sign {number}", "raised", "high") for number in range(10)))
    here.at(NOON + MINUTE, ("Fire", "raised", "urgent"))
    assert "Fire" in here.documents[-1]["title"]


def test_an_urgent_alarm_is_told_again_until_it_is_acknowledged(world) -> None:
    here = world(notices="repeat_every_min = 10")
    here.at(NOON, ("A", "raised", "urgent"))
    here.go(NOON, NOON + 35 * MINUTE)
    assert here.kinds == ["alarm", "again", "again", "again"]
    assert here.documents[-1]["title"] == "A, urgent, since Tue 12:00 (told 4 times)"
    here.at(NOON + 36 * MINUTE, ("A", "acknowledged", "urgent"))
    here.go(NOON + 37 * MINUTE, NOON + 2 * HOUR)
    assert len(here.kinds) == 4


def test_an_urgent_notice_is_not_repeated_for_ever(world) -> None:
    here = world(notices="repeat_every_min = 10")
    here.at(NOON, ("A", "raised", "urgent"))
    here.go(NOON, NOON + (MOST_REPEATS + 5) * 10 * MINUTE, 5 * MINUTE)
    assert here.kinds.count("again") == MOST_REPEATS


def test_repeats_do_not_pile_up_while_the_network_is_down(world) -> None:
    here = world(notices="repeat_every_min = 10")
    here.at(NOON, ("A", "raised", "urgent"))
    here.server.set("down")
    here.go(NOON, NOON + HOUR)
    assert len(here.waiting) <= 1
    here.server.set("ok")
    here.go(NOON + HOUR, NOON + HOUR + 9 * MINUTE)
    assert here.kinds == ["alarm", "again"]


def test_who_shelves_an_alarm_hears_no_more_of_it_until_it_ends(world) -> None:
    here = world(notices="repeat_every_min = 10")
    here.at(NOON, ("A", "raised", "urgent"))
    here.at(NOON + MINUTE, ("A", "shelved", "urgent"))
    here.go(NOON, NOON + HOUR)
    assert here.kinds == ["alarm"]
    here.at(NOON + 2 * HOUR, ("A", "unshelved", "urgent"))
    assert here.kinds == ["alarm", "alarm"]


def test_what_was_acknowledged_in_the_quiet_hours_is_not_told_in_the_morning(world) -> None:
    here = world(notices=QUIET)
    here.at(EVENING, ("A", "raised", "high"))
    here.at(EVENING + MINUTE, ("A", "acknowledged", "high"))
    here.at(MORNING)
    assert here.documents == []


def test_a_restart_tells_nothing_twice_and_forgets_nothing(world) -> None:
    here = world(notices="repeat_every_min = 10")
    here.at(NOON, ("A", "raised", "urgent"), ("B", "raised", "medium"))
    here.restart()
    here.at(NOON + MINUTE)
    assert here.kinds == ["alarm"]
    here.at(NOON + 10 * MINUTE)
    here.restart()
    here.at(NOON + GATHER_MS)
    assert here.kinds == ["alarm", "again", "again", "alarm"]  # B alone needs no digest
    here.at(NOON + HOUR, ("A", "returned", "urgent"))
    assert here.kinds[-1] == "returned"


def test_a_transition_that_was_stored_just_before_a_kill_is_told_after_the_start(world) -> None:
    here = world()
    store(here.writer, NOON, [["A", "raised", "high", None]])
    here.restart()
    here.at(NOON + MINUTE)
    assert [each["about"] for each in here.documents] == ["A"]


def test_after_a_power_cut_what_was_due_says_that_it_may_have_come(world) -> None:
    # what a card said to have written may be lost in a power cut all the same (common practice, no source)
    here = world()
    here.server.set("down")
    here.at(NOON, ("A", "raised", "high"))
    here.restart()  # a kill: all that was committed is there
    here.server.set("ok")
    here.at(NOON + MINUTE)
    here.server.set("down")
    here.at(NOON + HOUR, ("B", "raised", "high"))
    kept = json.loads(here.writer.note("notices"))
    here.writer.put_note("notices", json.dumps(kept | {"uptime_s": 10.0**9}))
    here.writer.commit()
    here.restart()  # the computer runs for less long than then
    here.server.set("ok")
    here.at(NOON + HOUR + MINUTE)
    assert [(each["about"], each["maybe_twice"]) for each in here.documents] == [("A", False), ("B", True)]


def test_a_memory_that_cannot_be_read_stops_nothing(world, caplog) -> None:
    here = world()
    here.writer.put_note("notices", '{"told": 5}')
    here.writer.commit()
    here.restart()
    assert "begins anew" in caplog.text
    here.at(NOON, ("A", "raised", "high"))
    assert here.kinds == ["alarm"]


def test_a_first_start_on_an_old_store_tells_nothing_of_the_past(world) -> None:
    here = world()
    store(here.writer, NOON, [["A", "raised", "high", None]])
    here.writer.put_note("notices", json.dumps({"last_id": 1, "last_ms": NOON, "told": {}}))
    here.writer.commit()
    here.restart()
    here.at(NOON + MINUTE)
    assert here.documents == []


def test_a_notice_that_was_cut_off_says_that_it_may_have_come_before(world) -> None:
    here = world()
    here.server.set("break")
    here.at(NOON, ("A", "raised", "high"))
    here.server.set("ok")
    here.at(NOON + MINUTE)
    first, second = here.documents
    assert first["id"] == second["id"]
    assert (first["maybe_twice"], second["maybe_twice"]) == (False, True)
    assert "may have reached you already" in second["text"]


def test_what_a_working_channel_refuses_does_not_hold_up_the_rest(world) -> None:
    here = world()
    here.server.set("refuse")
    here.at(NOON, ("A", "raised", "urgent"))
    here.server.set("ok")
    here.at(NOON, ("B", "raised", "high"))
    assert [each["about"] for each in here.documents] == ["B"]
    here.at(NOON + MINUTE)
    assert [each["about"] for each in here.documents] == ["B", "A"]


def test_an_outage_is_told_once_when_it_begins_and_once_when_it_ends(world, caplog) -> None:
    here = world()
    here.server.set("down")
    here.at(NOON, ("A", "raised", "high"))
    here.go(NOON, NOON + 2 * HOUR)
    here.server.set("ok")
    here.go(NOON + 2 * HOUR, NOON + 3 * HOUR)
    texts = [each.text for each in reversed(here.writer.events(0, 2**62)) if each.kind == "channel"]
    assert len(texts) == 2
    assert texts[0].startswith("Notices do not get out: 127.0.0.1 cannot be reached (Connection refused).")
    assert texts[1].startswith("Notices get out again, after 2 h")


def test_a_full_outbox_drops_the_oldest_of_the_lowest_priority_and_says_so(world) -> None:
    here = world()
    here.server.set("down")
    for number in range(MOST_OPEN + 20):
        priority = "urgent" if number < 5 else "high"
        here.at(NOON + number * MINUTE, (f"Sign {number}", "raised", priority))
    kept = {each.about for each in here.waiting}
    assert len(here.waiting) <= MOST_OPEN
    assert {f"Sign {number}" for number in range(5)} <= kept
    assert "Sign 5" not in kept
    assert any("were dropped" in each.text for each in here.writer.events(0, 2**62))


def test_a_clock_that_is_put_back_holds_nothing_up(world) -> None:
    here = world()
    here.server.set("down")
    here.at(NOON, ("A", "raised", "high"))
    here.server.set("ok")
    here.at(NOON - 5 * HOUR)
    assert here.kinds == ["alarm"]


def test_after_a_clock_that_was_a_year_ahead_a_kill_and_a_slow_card_hide_no_alarm(world, monkeypatch) -> None:
    here, year_ms = world(), 366 * 24 * HOUR
    for minute in range(6):
        here.at(NOON + year_ms + minute * MINUTE, (f"Ahead {minute}", "raised", "high"))
    here.clock.set(NOON)
    store(here.writer, NOON, [["Voltage low", "raised", "urgent", None]])
    here.restart()  # a kill: nobody has heard of it yet
    here.settle()
    now = {"Voltage low", "Bank cold"}
    assert [each["about"] for each in here.documents if each["about"] in now] == ["Voltage low"]
    here.clock.set(NOON + MINUTE)
    store(here.writer, NOON + MINUTE, [["Bank cold", "raised", "urgent", None]])
    monkeypatch.setattr(noticer, "CATCH_UP_S", 0.0)
    here.settle()
    assert {each["about"] for each in here.documents} >= now


def test_a_test_that_somebody_asked_for_comes_even_in_quiet_hours(world) -> None:
    here = world(notices=QUIET)
    here.at(EVENING)
    number = leave_request(here.writer.path, Request(EVENING, "test notice", "far"))
    here.at(EVENING)
    assert here.kinds == ["test"]
    assert here.writer.request(number).outcome == "A test notice is on its way through far."


def test_a_store_that_cannot_be_written_for_long_is_told_past_it_and_once(world, monkeypatch) -> None:
    here = world()
    here.noticer.shout(StoreError("nightbank.db: another program is writing to it"))
    here.settle()
    assert here.documents == []
    monkeypatch.setattr(noticer, "SHOUT_AFTER_S", 0.0)
    for _ in range(3):
        here.noticer.shout(StoreError("nightbank.db: the disk is full; make room"))
        here.settle()
    (document,) = here.documents
    assert document["text"] == "The store cannot be written. nightbank.db: the disk is full; make room"


def full(here: World) -> Callable[[], None]:
    """Let the store take no more than it has, with something big in the next commit; how to undo it."""
    connection = here.writer._connection
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    connection.execute(f"PRAGMA max_page_count = {pages}")
    here.writer.put_note("big", "x" * 1_000_000)
    return lambda: connection.execute(f"PRAGMA max_page_count = {pages + 10_000}")


def test_notices_that_a_full_card_could_not_keep_go_out_once_when_there_is_room(world) -> None:
    here = world()
    here.at(NOON)
    happened = store(here.writer, NOON, [["A", "raised", "high", None], ["B", "raised", "urgent", None]])
    make_room = full(here)
    with pytest.raises(StoreError):
        here.noticer.take(happened)
    with pytest.raises(StoreError):
        here.noticer.follow()
    make_room()
    here.writer.commit()
    here.noticer.take(store(here.writer, NOON + MINUTE, [["C", "raised", "low", None]]))
    here.settle()
    assert sorted(each["about"] for each in here.documents) == ["A", "B"]


def test_a_notice_is_not_handed_over_before_the_store_knows_that_it_is_tried(world) -> None:
    here = world()
    here.server.set("down")
    here.at(NOON, ("A", "raised", "high"))
    here.server.set("ok")
    make_room = full(here)
    here.clock.set(NOON + HOUR)
    with pytest.raises(StoreError):
        here.noticer.follow()
    assert not here.noticer.busy
    assert here.documents == []
    make_room()
    here.at(NOON + HOUR + MINUTE)
    assert [each["about"] for each in here.documents] == ["A"]


def test_transitions_that_nobody_handed_on_are_found_in_the_store(world, monkeypatch) -> None:
    monkeypatch.setattr(noticer, "CATCH_UP_S", 0.0)
    here = world()
    store(here.writer, NOON, [["A", "raised", "high", None]])
    here.settle()
    assert [each["about"] for each in here.documents] == ["A"]


# --- evening and morning -------------------------------------------------------------------------------


def test_the_evening_summary_says_the_outlooks_sentence_before_the_quiet_hours(world) -> None:
    here = world(notices=f'evening_summary = true\nevening_at = "18:30"\n{QUIET}')
    due = parse_iso("2026-11-24T18:30:00Z")
    said = {"at": iso_utc(due - 10 * MINUTE), "sentence": "The bank will last until morning"}
    here.writer.put_note(OUTLOOK_NOTE, json.dumps(said))
    here.writer.append([Reading(due - MINUTE, "estimate", "state_of_charge", 0.714, Quality.GOOD)])
    here.writer.commit()
    here.at(due - MINUTE)
    assert here.documents == []
    here.go(due, due + 3 * HOUR, 10 * MINUTE)
    (evening,) = here.documents
    assert evening["title"] == "This evening: charge 71 % (Marsh hide)"
    assert evening["text"] == "The bank will last until morning. No alarm stands."


def test_without_a_fresh_outlook_none_is_invented(world) -> None:
    here = world(notices='evening_summary = true\nevening_at = "18:30"')
    due = parse_iso("2026-11-24T18:30:00Z")
    here.writer.put_note(OUTLOOK_NOTE, json.dumps({"at": iso_utc(due - 5 * HOUR), "sentence": "All is well"}))
    here.at(due)
    (evening,) = here.documents
    assert evening["title"] == "This evening (Marsh hide)"
    assert "All is well" not in evening["text"]
    assert "Tue 13:30" in evening["text"]


def test_an_evening_summary_comes_an_hour_before_sunset_by_the_suns_table(world) -> None:
    from datetime import date

    from monitor.sun.day import STEP_S, Clear
    from monitor.sun.expected import note_key
    from monitor.sun.table import DayTable, packed

    here = world(notices="evening_summary = true")
    sunset = parse_iso("2026-11-24T15:50:00Z")  # invented; the table decides, not the sky
    start = parse_iso("2026-11-24T00:00:00Z")
    steps = tuple(
        Clear(at, 5.0 if start + 8 * HOUR < at < sunset else -5.0, 180.0, 0.0, 0.0, 5.0, 0.0, 0.0)
        for at in range(start, start + 24 * HOUR, STEP_S * 1000)
    )
    here.writer.put_note(note_key(date(2026, 11, 24)), packed(DayTable(date(2026, 11, 24), "x", steps)))
    here.go(NOON, NOON + 6 * HOUR, MINUTE)
    (arrival,) = here.server.arrivals
    assert arrival.document["kind"] == "evening"
    assert sunset - HOUR <= arrival.at_ms <= sunset - HOUR + STEP_S * 1000


def test_an_evening_summary_comes_before_quiet_hours_that_begin_before_sunset(world) -> None:
    here = world(notices='evening_summary = true\nquiet_hours = "17:00-08:00"')  # no table: it would be 18:00
    here.go(NOON, NOON + 8 * HOUR, 5 * MINUTE)
    assert [arrival.at_ms for arrival in here.server.arrivals] == [parse_iso("2026-11-24T16:45:00Z")]


def test_the_morning_summary_says_how_the_night_went(world) -> None:
    here = world(notices=f"morning_summary = true\n{QUIET}")
    low = parse_iso("2026-11-25T05:10:00Z")
    readings = [
        Reading(at, "shunt", "battery_voltage_V", 12.03 if at == low else 12.3)
        for at in range(MORNING - 12 * HOUR, MORNING, 5 * MINUTE)
    ]
    here.writer.append(readings)
    here.writer.commit()
    here.at(EVENING, ("A", "raised", "high"))
    here.at(EVENING + HOUR, ("A", "returned", "high"))
    here.at(MORNING)
    morning = next(each for each in here.documents if each["kind"] == "morning")
    assert morning["text"].startswith("Lowest 12.03 V about Wed 05:10. Alarms: A.")


def test_a_summary_that_is_hours_late_is_left_out(world) -> None:
    here = world(notices='evening_summary = true\nevening_at = "09:00"')
    here.at(NOON)
    assert here.documents == []


# --- waiting -------------------------------------------------------------------------------------------


def test_waits_double_up_to_their_limit_and_are_shorter_for_what_is_urgent() -> None:
    waits = [wait_s(failures, urgent=False) for failures in range(1, 12)]
    assert waits[:4] == [FIRST_S, 2 * FIRST_S, 4 * FIRST_S, 8 * FIRST_S]
    assert waits[-1] == MOST_S
    assert wait_s(100_000, urgent=True) == URGENT_MOST_S


def test_the_log_of_a_site_without_channels_stays_empty(tmp_path: Path, caplog) -> None:
    caplog.set_level(logging.DEBUG)
    with World(tmp_path) as here:
        assert [each.message for each in caplog.records if "notice" in each.message.lower()] == []
        here.at(NOON)
