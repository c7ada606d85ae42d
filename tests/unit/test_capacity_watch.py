"""A capacity test that somebody has begun: who is called and when, and how each ends, on a real store."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.capacity_test import BEGIN, END, TEST_EVENT, TEST_NOTE, WatchedTest, watched_test
from monitor.alarms.watch import AlarmWatch
from monitor.capacity.guide import guide_document
from monitor.capacity.watch import CapacityWatch
from monitor.capacity.words import guide_lines
from monitor.clock import CLOCK_NOTE, PacedClock, SteppedClock, SystemClock
from monitor.now_words import in_words
from monitor.present import present
from monitor.records import Condition, Event, Reading, Request, iso_utc, parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import leave_request, open_writer
from tests.unit.site_files import MARSH_HIDE, write

T0 = parse_iso("2026-06-21T08:00:00Z")
MINUTE_MS, HOUR_MS = 60_000, 3_600_000
STEP_MS = 10 * MINUTE_MS

LOOKS_MS = 40 * MINUTE_MS
"""The daemon looks at each step of the last minutes of a time: between, nothing changes."""

FULL_V, SUN_A, LAMPS_A, REST_A = 14.4, 8.0, -22.5, -0.17
"""A twentieth of the invented bank's 450 Ah is drawn: half is taken after ten hours."""

STOP, OVER = "End the capacity test", "Capacity test over"


class Hut:
    """The daemon's part in a test, on a store of its own. `lives` lets time go by."""

    def __init__(self, folder: Path, text: str = MARSH_HIDE) -> None:
        self.path = folder / "nightbank.db"
        self.site, _ = with_defaults(load_site(write(folder, text)))
        self.clock = SteppedClock(T0)
        self.store = open_writer(self.path, "Europe/London")
        self.starts()

    def starts(self) -> None:
        """Start, or start anew, on what the store has."""
        self.watch = CapacityWatch(self.site, self.store, self.clock)
        self.alarms = AlarmWatch(self.site, self.store, self.clock)

    def lives(
        self,
        hours: float,
        current_A: float | None,
        voltage_V: float = 12.3,
        lower_V: float | None = None,
        step_ms: int = STEP_MS,
    ) -> None:
        """Let the current flow; None: nothing is read."""
        end_ms = self.clock.now_ms() + round(hours * HOUR_MS)
        for at_ms in range(self.clock.now_ms() + step_ms, end_ms + 1, step_ms):
            self.clock.set(at_ms)
            if current_A is not None:
                self.store.append(self._read(current_A, voltage_V, lower_V))
            if at_ms > end_ms - LOOKS_MS:
                self.looks()

    def falls(self, hours: float, current_A: float, from_V: float, to_V: float) -> None:
        """Let the current flow while the voltage falls."""
        steps = round(hours * HOUR_MS / STEP_MS)
        for step in range(steps):
            self.lives(STEP_MS / HOUR_MS, current_A, from_V + (to_V - from_V) * step / steps)

    def looks(self) -> None:
        paced = PacedClock(SystemClock().now_ms(), self.clock.now_ms(), 1.0)
        self.store.put_note(CLOCK_NOTE, paced.note())  # a reader's present is the daemon's
        self.store.commit()
        self.watch.follow()
        self.alarms.tick()

    def _read(self, current_A: float, voltage_V: float, lower_V: float | None) -> Iterator[Reading]:
        values = {"battery_current_A": current_A, "battery_voltage_V": voltage_V}
        if lower_V is not None:
            values["midpoint_voltage_V"] = lower_V
        values["battery_temperature_C"] = 20.0
        for name, value in values.items():
            yield Reading(self.clock.now_ms(), "charger", name, value)

    def is_full(self) -> None:
        """Three hours of sun that end with a full bank."""
        self.lives(3, SUN_A, FULL_V)
        self.store.add_event(Event(self.clock.now_ms(), "full", "", "The bank is full."))
        self.store.commit()

    def asked(self, kind: str, by: str = "Ada") -> str:
        """What becomes of a request."""
        number = leave_request(self.path, Request(self.clock.now_ms(), kind, "", {}, by))
        self.looks()
        self.store.commit()
        done = self.store.request(number)
        assert done is not None
        assert done.done_ms is not None
        return done.outcome

    @property
    def test(self) -> WatchedTest:
        found = watched_test(self.store.note(TEST_NOTE))
        assert found is not None
        return found

    def state(self, name: str) -> str:
        return self.alarms.states[name].state

    def said(self, name: str) -> str:
        return self.alarms.states[name].text

    def events(self) -> list[str]:
        some = self.store.events(0, 2 * T0, 1000)
        return [event.text for event in reversed(some) if event.kind == TEST_EVENT]

    @property
    def hours(self) -> float:
        return (self.clock.now_ms() - T0) / HOUR_MS


@pytest.fixture
def hut(tmp_path: Path) -> Iterator[Hut]:
    made = Hut(tmp_path)
    yield made
    made.store.close()


@pytest.fixture
def begun(hut: Hut) -> Hut:
    hut.is_full()
    hut.asked(BEGIN)
    return hut


def test_who_begins_a_test_is_called_shortly_before_half_is_taken(begun: Hut) -> None:
    # 22.5 A take 225 of 450 Ah in ten hours (arithmetic)
    begun.lives(9.5, LAMPS_A)
    assert begun.state(STOP) == Condition.NORMAL
    assert begun.test.says.startswith("210 of 225 Ah are taken")  # from the first reading on
    begun.lives(0.5, LAMPS_A, step_ms=2 * MINUTE_MS)
    assert begun.state(STOP) == Condition.UNACKNOWLEDGED
    assert "min half of what the bank may hold is taken" in begun.said(STOP)
    begun.lives(0.5, LAMPS_A)
    assert begun.said(STOP) == f"{STOP}: half of what the bank may hold is taken"
    assert begun.test.says.startswith("Switch the loads off now")


def test_a_test_goes_from_loads_through_rest_to_charge_and_is_then_watched_no_longer(begun: Hut) -> None:
    begun.lives(10.5, LAMPS_A)
    begun.lives(1, REST_A, 12.1)
    assert begun.state(STOP) == Condition.RETURNED  # until somebody acknowledges it, as any alarm
    assert begun.test.says.startswith("The bank rests: leave loads and charge off until")
    assert begun.state(OVER) == Condition.NORMAL
    begun.lives(5.5, REST_A, 12.1)
    assert begun.state(OVER) == Condition.UNACKNOWLEDGED
    # 235 Ah were half by a rest voltage of 12.10 V (a maker's table, secondary source)
    assert "about 471 ±" in begun.said(OVER)
    assert begun.said(OVER).endswith("of the rated 450 Ah")  # what to do first stands beside it
    assert begun.test.says.endswith("Charge the bank full now.")
    begun.lives(1, SUN_A, 13.5)
    assert not begun.test.runs
    assert begun.state(OVER) == Condition.RETURNED
    assert begun.events()[-1].startswith("The capacity test is over. About 471 ±")


def test_who_looks_with_a_lamp_in_hand_sees_that_it_runs_since_when_and_until_when(begun: Hut) -> None:
    begun.lives(4, LAMPS_A)
    document = present(begun.site, begun.store)
    told, zone = document["capacity_test"], ZoneInfo("Europe/London")
    # begun at noon of summer time; 225 Ah at 22.5 A are ten hours, from the first reading on (arithmetic)
    assert told["begun"] == "2026-06-21T11:00:00Z"
    assert parse_iso(told["ends"]) == pytest.approx(parse_iso("2026-06-21T21:10:00Z"), abs=MINUTE_MS)
    assert told["text"].startswith("A capacity test runs, begun 12:00, to end about 22:10. 86 of 225 Ah")
    assert in_words(document, zone).splitlines()[2] == told["text"]
    begun.asked(END)
    document = present(begun.site, begun.store)
    assert document["capacity_test"] is None
    assert "capacity test" not in in_words(document, zone)


@pytest.mark.parametrize("rule", ["No charge in daylight", "Will be low before morning"])
def test_the_opened_disconnect_and_the_load_of_a_test_are_no_alarm(begun: Hut, rule: str) -> None:
    begun.lives(0.2, LAMPS_A)
    assert (begun.state(rule), begun.alarms.states[rule].reason) == (
        Condition.SUPPRESSED,
        "a capacity test runs",
    )
    begun.asked(END)
    begun.lives(0.2, LAMPS_A)
    assert begun.state(rule) == Condition.NORMAL


def test_a_weak_bank_is_called_for_by_its_voltage(begun: Hut) -> None:
    # Copetti's model at 30 % charge ends it at 11.41 V (as in test_capacity_guide)
    begun.falls(3, LAMPS_A, 12.2, 11.5)
    assert begun.state(STOP) == Condition.NORMAL
    begun.falls(0.8, LAMPS_A, 11.5, 11.3)
    assert begun.state(STOP) == Condition.UNACKNOWLEDGED
    assert "the voltage is down at 11.41 V" in begun.said(STOP)


def test_a_weak_half_calls_where_the_middle_of_the_bank_is_measured(begun: Hut) -> None:
    begun.lives(1, LAMPS_A, 12.2, lower_V=6.1)
    begun.lives(0.5, LAMPS_A, 12.0, lower_V=5.6)  # half of 11.41 V
    assert begun.state(STOP) == Condition.UNACKNOWLEDGED
    assert "the voltage of the bank's lower half is down at 5.71 V" in begun.said(STOP)


def test_a_pump_s_start_does_not_call(begun: Hut) -> None:
    for _ in range(6):
        begun.lives(0.25, LAMPS_A, 12.2)
        at_ms = begun.clock.now_ms() - 2 * MINUTE_MS
        begun.store.append([Reading(at_ms, "charger", "battery_voltage_V", 11.2)])
    assert begun.state(STOP) == Condition.NORMAL


def test_when_nothing_is_read_any_more_somebody_is_called(begun: Hut) -> None:
    begun.lives(4, LAMPS_A)
    begun.lives(0.9, None)
    assert begun.state(STOP) == Condition.UNACKNOWLEDGED
    assert "nothing is read any more, so nobody knows what is taken" in begun.said(STOP)
    begun.lives(0.5, LAMPS_A)
    assert begun.test.says.startswith("Switch the loads off now: nothing was read for a while")
    begun.lives(0.5, REST_A)
    assert begun.events()[-1].startswith("The capacity test is ended: nothing was read for a while")


def test_a_start_of_the_daemon_goes_on_with_the_test(begun: Hut) -> None:
    begun.lives(5, LAMPS_A)
    begun.starts()
    begun.lives(5.2, LAMPS_A)
    assert begun.state(STOP) == Condition.UNACKNOWLEDGED


def test_a_dark_daemon_counts_on_from_its_last_look(begun: Hut) -> None:
    begun.lives(5, LAMPS_A)  # 112 Ah: five hours are left
    note = begun.store.note(TEST_NOTE)
    begun.clock.set(begun.clock.now_ms() + 5 * HOUR_MS)
    begun.store.put_note(TEST_NOTE, note or "")
    begun.alarms.tick()  # before the first look at the test
    begun.clock.set(begun.clock.now_ms() + 3 * MINUTE_MS)
    begun.alarms.tick()
    assert begun.state(STOP) == Condition.UNACKNOWLEDGED


def test_a_forgotten_test_ends_by_itself_with_a_word(begun: Hut) -> None:
    begun.lives(23.5, REST_A, 12.8)
    assert begun.test.runs
    begun.lives(1, REST_A, 12.8)
    assert not begun.test.runs
    assert begun.events()[-1] == "The capacity test is ended: nothing was drawn for a day."


def test_a_slow_test_is_ended_before_it_leaves_what_is_looked_back_on(begun: Hut) -> None:
    begun.lives(48.4, -2.0)  # a lamp: 97 Ah
    assert begun.state(STOP) == Condition.UNACKNOWLEDGED
    assert "it has gone on for 48 h" in begun.said(STOP)


def test_who_counts_on_a_call_is_told_when_the_sun_has_spoilt_the_test(begun: Hut) -> None:
    begun.lives(3, LAMPS_A)
    begun.lives(0.5, SUN_A, 13.2)
    begun.lives(0.4, LAMPS_A)
    assert begun.state(STOP) == Condition.UNACKNOWLEDGED
    assert "the bank was charged meanwhile, so that the test tells nothing" in begun.said(STOP)
    begun.lives(1, LAMPS_A)
    assert not begun.test.runs
    assert begun.events()[-1].startswith("The capacity test is over: the bank was charged meanwhile")


def test_a_charge_before_the_rest_told_anything_ends_a_test_without_a_call(begun: Hut) -> None:
    begun.lives(9, LAMPS_A)
    begun.lives(2, REST_A, 12.2)
    begun.lives(0.5, SUN_A, 13.2)
    assert begun.state(STOP) == Condition.NORMAL
    assert begun.events()[-1] == (
        "The capacity test is ended: the bank was charged before its rest told anything."
    )


def test_what_was_taken_before_a_spell_of_sun_is_not_forgotten(hut: Hut) -> None:
    hut.is_full()
    hut.lives(4, LAMPS_A)  # 90 Ah
    hut.lives(0.4, SUN_A, 13.2)
    hut.lives(1, LAMPS_A)
    assert guide_document(hut.site, hut.store)["discharge"] is None
    assert hut.asked(BEGIN) == "Not begun. Charge the bank until it is full."


def test_only_a_full_bank_that_is_read_can_be_watched(hut: Hut) -> None:
    hut.lives(1, SUN_A, 13.0)
    assert hut.asked(BEGIN) == "Not begun. Charge the bank until it is full."
    hut.is_full()
    hut.lives(1, None)
    assert "is not read now" in hut.asked(BEGIN)
    assert hut.asked(END) == "No capacity test is watched."
    assert hut.events() == []


def test_a_bank_of_which_something_was_taken_unseen_is_charged_first(hut: Hut) -> None:
    hut.is_full()
    hut.lives(1, None)
    hut.lives(0.5, LAMPS_A)
    assert hut.asked(BEGIN).startswith("Not begun. For a while nothing was read")


def test_where_no_channel_is_set_up_who_begins_is_told_so(hut: Hut) -> None:
    hut.is_full()
    outcome = hut.asked(BEGIN)
    assert "names no channel, so nobody is called but who looks at the page" in outcome
    assert hut.asked(BEGIN).startswith("A test is watched already, since")
    assert hut.events() == ["A capacity test was begun by Ada."]


def test_the_channels_that_call_are_named(tmp_path: Path) -> None:
    channel = '\n[[channels]]\nname = "phone"\nkind = "hook"\nsecret = "phone"\n'
    hut = Hut(tmp_path, MARSH_HIDE + channel)
    hut.is_full()
    assert "You are called by phone when the loads are to be switched off." in hut.asked(BEGIN)
    hut.store.close()


def test_who_ends_the_watch_early_is_told_to_charge(begun: Hut) -> None:
    begun.lives(4, LAMPS_A)
    assert begun.asked(END) == "It is watched no longer. Charge the bank full: it must not stand empty."
    begun.lives(8, LAMPS_A)
    assert begun.state(STOP) == Condition.NORMAL
    assert begun.events()[-1] == "The watch over the capacity test was ended by Ada."


def test_a_clock_that_is_put_right_takes_the_test_with_it(begun: Hut) -> None:
    begun.lives(2, LAMPS_A)
    before = begun.test
    begun.watch.moved(T0, HOUR_MS)
    assert begun.test.begun_ms == before.begun_ms + HOUR_MS
    assert begun.test.left_h == before.left_h


def test_the_guide_says_who_is_called(begun: Hut) -> None:
    def told() -> str:
        return " ".join(guide_lines(guide_document(begun.site, begun.store), iso_utc))

    begun.lives(1, LAMPS_A)
    assert "This test is watched since 2026-06-21T11:00:00Z (begun by Ada), and a call comes" in told()
    begun.asked(END)
    assert "Nobody is called when a test is to end, unless you have it watched." in told()


@pytest.mark.parametrize("note", [None, "", "x", "[]", "{}", '{"begun_ms": 1}'])
def test_a_note_that_is_none_or_spoilt_is_no_test(note: str | None) -> None:
    assert watched_test(note) is None
