"""The alarms of a running daemon on a real store: restarts, requests, consequences, floods, the computer."""

import json
import random
import shutil
from datetime import date

import pytest

from monitor.alarms.computer import Computer
from monitor.alarms.watch import AlarmWatch
from monitor.clock import SteppedClock
from monitor.local_days import local_day, zone_of
from monitor.outlook import OUTLOOK_NOTE
from monitor.records import Condition, DeviceHealth, Event, Quality, Reading, Request, iso_utc, parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import leave_request, open_writer
from monitor.sun.day import STEP_S, Clear
from monitor.sun.expected import note_key, supply_of
from monitor.sun.table import DayTable, packed
from tests.unit.site_files import changed, write

T0 = parse_iso("2026-06-21T10:00:00Z")
SECOND, MINUTE, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000

SHUNT = """
[[devices]]
name = "shunt"
profile = "marsh-shunt"
connection = "serial"
port = "/dev/serial/by-id/usb-example"
"""
HOT_AT_ONCE = """
[[alarms]]
name = "Bank too hot"
on_delay_s = 0
off_delay_s = 0
"""


class Daemon:
    """A watch on a store of its own; `say` is a poll of a device."""

    def __init__(self, folder, text=None, computer=None, at_ms=T0):
        self.folder, self.text, self.computer = folder, text or changed(), computer
        file = write(folder, self.text)
        self.site, _ = with_defaults(load_site(file))
        self.path = folder / "nightbank.db"
        self.clock = SteppedClock(at_ms)
        self.store = open_writer(self.path, "Europe/London")
        self.watch = AlarmWatch(self.site, self.store, self.clock, computer)

    def say(
        self, at_ms, device="charger", state="answering", last_good_ms=None, quality=Quality.GOOD, **values
    ):
        self.clock.set(at_ms)
        readings = [
            Reading(at_ms, device, name, value, quality, "" if quality is Quality.GOOD else "jumps")
            for name, value in values.items()
        ]
        self.store.append(readings)
        good_ms = at_ms if state == "answering" else last_good_ms
        health = DeviceHealth(device, "/dev/x", state, at_ms, good_ms, 80.0, 1, {}, "no answer")
        self.store.put_health(health)
        return self.watch.judge(readings, health)

    def tick(self, at_ms):
        self.clock.set(at_ms)
        return self.watch.tick()

    def ask(self, kind, subject, **details):
        self.store.commit()
        return leave_request(self.path, Request(self.clock.now_ms(), kind, subject, details, "a test"))

    def state(self, name):
        return self.watch.states[name].state

    def told(self, kind="alarm"):
        return [event.text for event in self.store.events(0, 2 * T0) if event.kind == kind]

    def restart(self, at_ms=None, *, killed=False, text=None):
        if not killed:
            self.store.commit()
        self.store.close()
        self.__init__(self.folder, text or self.text, self.computer, at_ms or self.clock.now_ms())


@pytest.fixture
def daemon(tmp_path):
    made = []

    def make(text=None, computer=None):
        made.append(Daemon(tmp_path, text, computer))
        return made[-1]

    yield make
    for each in made:
        each.store.close()


# --- raised, told, kept ---


def test_a_transition_goes_into_the_store_with_its_values_and_one_event(daemon):
    made = daemon(changed(more=HOT_AT_ONCE))
    (raised,) = made.say(T0, battery_temperature_C=47.0)
    assert (raised.alarm, raised.before, raised.after, raised.cause) == (
        "Bank too hot", "normal", "unacknowledged", "raised",
    )  # fmt: skip
    assert raised.values == {"battery_temperature_C": 47.0}
    assert raised.text == "Bank too hot: 47 °C is above 45 °C (since 11:00)"  # local time of the site
    made.store.commit()
    (kept,) = [each for each in made.store.transitions(0, 2 * T0) if each.alarm == "Bank too hot"]
    assert (kept.text, kept.values, kept.priority) == (raised.text, raised.values, "high")
    assert made.told() == ["Raised. Bank too hot: 47 °C is above 45 °C (since 11:00)."]


def test_a_return_says_how_long_it_was(daemon):
    made = daemon(changed(more=HOT_AT_ONCE))
    made.say(T0, battery_temperature_C=47.0)
    (back,) = made.say(T0 + 90 * MINUTE, battery_temperature_C=40.0)
    assert back.text == "Bank too hot: back to normal (40 °C) after 1 h 30 min"
    assert (back.after, back.cause) == ("returned to normal unacknowledged", "returned")


def test_a_restart_neither_raises_nor_tells_again(daemon):
    made = daemon(changed(more=HOT_AT_ONCE))
    made.say(T0, battery_temperature_C=47.0)
    for minute in range(1, 5):
        made.restart()
        assert made.say(T0 + minute * MINUTE, battery_temperature_C=47.0) == []
        assert made.tick(T0 + minute * MINUTE + 1) == []
    assert made.state("Bank too hot") == Condition.UNACKNOWLEDGED
    assert len(made.told()) == 1


def test_a_delay_that_has_begun_goes_on_after_a_restart(daemon):
    made = daemon(changed(more=HOT_AT_ONCE.replace("on_delay_s = 0", "on_delay_s = 600")))
    assert made.say(T0, battery_temperature_C=47.0) == []
    made.store.commit()
    made.restart(at_ms=T0 + MINUTE, killed=True)
    assert made.say(T0 + 10 * MINUTE - SECOND, battery_temperature_C=47.0) == []
    (raised,) = made.say(T0 + 10 * MINUTE, battery_temperature_C=47.0)
    assert (raised.alarm, raised.cause) == ("Bank too hot", "raised")


def course(seed, minutes=240):
    """A random walk of the bank's temperature about its limit, with values missing now and then."""
    rng, temperature_C = random.Random(seed), 44.0
    for minute in range(minutes):
        temperature_C += rng.uniform(-1.5, 1.5) + 0.1 * (44.0 - temperature_C)
        yield minute, None if rng.random() < 0.1 else round(temperature_C, 1)


def played(daemon, seed, restarts_at):
    made = daemon()
    told = []
    for minute, value in course(seed):
        if minute in restarts_at:
            made.restart(killed=True)
        values = {} if value is None else {"battery_temperature_C": value}
        told += [(each.alarm, each.cause) for each in made.say(T0 + minute * MINUTE, **values)]
        made.store.commit()
    state = made.watch.states["Bank too hot"]
    made.store.close()
    made.path.unlink()
    return told, (state.state, state.raised_ms, state.beyond_ms, state.back_ms, state.standing)


@pytest.mark.parametrize("seed", range(4))
def test_restarts_at_any_point_equal_no_restart(daemon, seed):
    undisturbed = played(daemon, seed, ())
    assert ("Bank too hot", "raised") in undisturbed[0]
    assert played(daemon, seed, random.Random(seed).sample(range(240), 12)) == undisturbed


def test_an_alarm_whose_rule_has_gone_is_calmed(daemon):
    made = daemon(changed(more='[[alarms]]\nname = "Warm shed"\nquantity = "battery_temperature_C"\n'
                               'condition = "above"\nset_point = 20\non_delay_s = 0\n'))  # fmt: skip
    made.say(T0, battery_temperature_C=25.0)
    made.restart(text=changed())
    assert "Warm shed" not in made.watch.states
    (gone,) = [state for state in made.store.alarms() if state.name == "Warm shed"]
    assert (gone.state, gone.stands) == ("normal", False)


def test_a_clock_that_was_ahead_does_not_silence_alarms_for_ever(daemon, monkeypatch):
    made = daemon(changed(more=HOT_AT_ONCE))
    made.say(T0 + 400 * DAY, battery_temperature_C=47.0)  # the clock was wrong by a year
    elapsed = [0.0]
    monkeypatch.setattr(made.clock, "elapsed_s", lambda: elapsed[0])
    for minute in range(20):
        elapsed[0] = minute * 60.0
        made.say(T0 + minute * MINUTE, battery_temperature_C=30.0)
    assert made.state("Bank too hot") == Condition.RETURNED


# --- what people ask ---


def test_requests_are_done_and_answered_within_a_tick(daemon):
    made = daemon(changed(more=HOT_AT_ONCE))
    made.say(T0, battery_temperature_C=47.0)
    number = made.ask("acknowledge", "bank too hot")
    (step,) = made.tick(T0 + SECOND)
    assert (step.cause, step.by, step.after) == ("acknowledged", "a test", "acknowledged")
    assert made.watch.answered
    made.store.commit()
    done = made.store.request(number)
    assert (done.done_ms, done.outcome) == (T0 + SECOND, "Bank too hot: acknowledged.")
    assert made.tick(T0 + 2 * SECOND) == []
    assert not made.watch.answered


def test_a_refused_request_is_answered_in_words_and_changes_nothing(daemon):
    made = daemon()
    number = made.ask("reset", "Low voltage")
    assert made.tick(T0 + SECOND) == []
    made.store.commit()
    done = made.store.request(number)
    assert done.outcome == "Low voltage is normal, so it cannot be reset."
    assert done.details["changed"] == 0


def test_another_rooms_requests_are_left_alone(daemon):
    made = daemon()
    made.ask("test notice", "phone")
    made.tick(T0 + SECOND)
    assert [request.kind for request in made.store.open_requests()] == ["test notice"]


def test_a_shelving_survives_a_restart_and_ends_by_itself(daemon):
    made = daemon(changed(more=HOT_AT_ONCE))
    made.say(T0, battery_temperature_C=47.0)
    made.ask("shelve", "Bank too hot", for_s=3600.0)
    made.tick(T0 + SECOND)
    made.restart()
    assert made.tick(T0 + 30 * MINUTE) == []
    (ended,) = [each for each in made.tick(T0 + HOUR + SECOND) if each.alarm == "Bank too hot"]
    assert (ended.cause, ended.after) == ("unshelved", "unacknowledged")
    assert ended.text == "Bank too hot: 47 °C is above 45 °C (since 11:00)"


@pytest.mark.parametrize("subject", ["all", "Bank too hot"])
def test_what_came_after_an_acknowledgement_was_asked_for_is_not_acknowledged(daemon, subject):
    """Asked for while the daemon did not run; then the bank gets too hot, which nobody has seen."""
    made = daemon(changed(more=HOT_AT_ONCE))
    number = made.ask("acknowledge", subject)
    made.say(T0 + HOUR, battery_temperature_C=47.0)
    made.tick(T0 + HOUR + SECOND)
    made.store.commit()
    assert made.state("Bank too hot") == Condition.UNACKNOWLEDGED
    assert made.store.request(number).details["changed"] == 0


@pytest.mark.parametrize("subject", ["all", "Bank too hot"])
def test_what_came_after_the_page_was_drawn_is_not_acknowledged_by_its_button(daemon, subject):
    """The page is of T0; the bank gets too hot; a minute later the page's button is pressed, unseen."""
    made = daemon(changed(more=HOT_AT_ONCE))
    made.say(T0 + MINUTE, battery_temperature_C=47.0)
    made.clock.set(T0 + 2 * MINUTE)
    made.ask("acknowledge", subject, seen_ms=float(T0))
    assert made.tick(T0 + 2 * MINUTE + SECOND) == []
    assert made.state("Bank too hot") == Condition.UNACKNOWLEDGED
    made.ask("acknowledge", subject, seen_ms=float(T0 + 90 * SECOND))
    made.tick(T0 + 2 * MINUTE + 2 * SECOND)
    assert made.state("Bank too hot") == Condition.ACKNOWLEDGED


def test_an_alarm_that_went_back_meanwhile_is_acknowledged_all_the_same(daemon):
    made = daemon(changed(more=HOT_AT_ONCE))
    made.say(T0, battery_temperature_C=47.0)
    made.ask("acknowledge", "Bank too hot")
    made.say(T0 + MINUTE, battery_temperature_C=30.0)
    made.tick(T0 + MINUTE + SECOND)
    assert made.state("Bank too hot") == Condition.NORMAL


def test_a_shelving_runs_from_when_it_was_asked_for(daemon):
    made = daemon()
    number, late = (made.ask("shelve", "Bank too hot", for_s=span_s) for span_s in (7200.0, 1800.0))
    made.tick(T0 + HOUR)
    assert made.watch.states["Bank too hot"].shelved_until_ms == T0 + 2 * HOUR
    made.store.commit()
    assert made.store.request(number).details["changed"] == 1
    over = "Bank too hot is not shelved: the time that you asked for is over."
    assert made.store.request(late).outcome == over


# --- consequences ---


def silent(made, at_ms, device="charger", since_ms=T0):
    return made.say(at_ms, device, "silent", last_good_ms=since_ms)


def test_a_silent_device_raises_one_alarm_and_not_those_of_its_values(daemon):
    made = daemon()
    made.say(T0, battery_voltage_V=12.4, battery_temperature_C=20.0, array_power_W=100.0)
    told = [step for minute in range(1, 60) for step in silent(made, T0 + minute * MINUTE)]
    assert [step.alarm for step in told if step.cause == "raised"] == ["Device silent: charger"]
    for name in ("Low voltage", "Bank too hot", "No charge in daylight", "Voltage too high"):
        assert made.state(name) == Condition.SUPPRESSED, name
    made.say(T0 + HOUR, battery_voltage_V=12.4)
    made.say(T0 + HOUR + 61 * SECOND, battery_voltage_V=12.4)
    assert made.state("Low voltage") == Condition.NORMAL
    assert made.told()[-1].startswith("Raised. Device silent: charger: charger has not answered for ")


def test_what_stands_already_is_not_hidden_by_a_silence(daemon):
    made = daemon(changed(more=HOT_AT_ONCE))
    made.say(T0, battery_temperature_C=47.0)
    for minute in range(1, 20):
        silent(made, T0 + minute * MINUTE)
    assert made.state("Bank too hot") == Condition.UNACKNOWLEDGED


def test_a_lost_line_is_one_alarm_for_all_of_its_devices(daemon):
    made = daemon(changed(more=SHUNT))
    for device in ("charger", "shunt"):
        made.say(T0, device, battery_voltage_V=12.4)
    told = []
    for minute in range(1, 30):
        for device in ("charger", "shunt"):
            told += silent(made, T0 + minute * MINUTE, device)
    assert [step.alarm for step in told if step.cause == "raised"] == ["Line silent: charger, shunt"]


def test_one_silent_device_on_a_shared_line_is_told_by_itself(daemon):
    made = daemon(changed(more=SHUNT))
    told = []
    for minute in range(30):
        told += made.say(T0 + minute * MINUTE, "shunt", battery_voltage_V=12.4)
        told += silent(made, T0 + minute * MINUTE)
    assert [step.alarm for step in told if step.cause == "raised"] == ["Device silent: charger"]


def test_quiet_alarms_that_are_suppressed_write_no_events(daemon):
    made = daemon()
    made.say(T0, battery_voltage_V=12.4)
    for minute in range(1, 5):
        silent(made, T0 + minute * MINUTE)
    assert made.state("Low voltage") == Condition.SUPPRESSED
    assert made.told() == []


def sun_from(made, day, sunrise_h, sunset_h):
    """A table of that day: 200 W between two UTC hours, put where the daemon keeps it."""
    supply, span = supply_of(made.site), local_day(zone_of("Europe/London"), day)
    steps = []
    for start_ms in range(span.start_ms, span.end_ms, STEP_S * 1000):
        hour = start_ms % DAY / HOUR
        watts = 200.0 if sunrise_h <= hour < sunset_h else 0.0
        steps.append(Clear(start_ms, 30.0, 180.0, watts, 0.0, 20.0, watts, watts))
    made.store.put_note(note_key(day), packed(DayTable(day, supply.key, tuple(steps))))


def test_no_charge_in_daylight_waits_for_daylight_and_stands_through_the_night(daemon):
    made = daemon()
    for day in (date(2026, 6, 21), date(2026, 6, 22)):
        sun_from(made, day, 4, 20)
    start_ms = parse_iso("2026-06-21T01:00:00Z")
    states, raised = {}, []
    for minute in range(0, 30 * 60, 5):
        at_ms = start_ms + minute * MINUTE
        lit = {"array_power_W": 0.0, "array_voltage_V": 0.2, "battery_voltage_V": 12.5}
        steps = made.say(at_ms, **lit)
        raised += [iso_utc(step.time_ms) for step in steps
                   if (step.alarm, step.cause) == ("No charge in daylight", "raised")]  # fmt: skip
        states[minute // 60] = made.state("No charge in daylight")
    assert states[1] == Condition.SUPPRESSED  # 02:00, night
    assert raised == ["2026-06-21T06:00:00Z"]  # two hours of daylight without a watt
    assert states[22] == Condition.UNACKNOWLEDGED  # 23:00, night again: nothing has shown that it is over


def test_a_low_charge_makes_the_warning_of_the_night_superfluous(daemon):
    made = daemon()
    made.store.put_note(OUTLOOK_NOTE, json.dumps({"at": iso_utc(T0 + 20 * MINUTE),
                                                  "crosses_reserve_probability": 0.99}))  # fmt: skip
    told = []
    for minute in range(40):
        readings = [
            Reading(T0 + minute * MINUTE, "estimate", "state_of_charge", 0.3),
            Reading(T0 + minute * MINUTE, "estimate", "state_of_charge_sd", 0.04),
            Reading(T0 + minute * MINUTE, "charger", "battery_voltage_V", 12.3),
        ]
        made.clock.set(T0 + minute * MINUTE)
        told += made.watch.judge(readings)
        if minute == 16:
            assert made.state("Low charge") == Condition.UNACKNOWLEDGED
    raised = [step.alarm for step in told if step.cause == "raised"]
    # the warning came first, while the charge's on-delay ran; it stands and is not raised again
    assert raised == ["Will be low before morning", "Low charge"]


def test_a_rule_outside_of_its_season_is_suppressed_even_if_it_stands(daemon):
    hours = changed(more=HOT_AT_ONCE + 'hours = "09:00-12:00"\n')
    made = daemon(hours)
    made.say(T0, battery_temperature_C=47.0)  # 11:00 local
    assert made.state("Bank too hot") == Condition.UNACKNOWLEDGED
    made.say(T0 + 61 * MINUTE, battery_temperature_C=47.0)
    assert made.state("Bank too hot") == Condition.SUPPRESSED
    steps = made.say(T0 + 22 * HOUR + MINUTE, battery_temperature_C=47.0)  # 09:01 the next day
    assert [(step.cause, step.after) for step in steps if step.alarm == "Bank too hot"] == [
        ("unsuppressed", "unacknowledged")
    ]


# --- floods ---


def test_the_first_of_a_flood_is_marked_and_the_others_point_to_it(daemon):
    made = daemon(changed(more=HOT_AT_ONCE + HOT_AT_ONCE.replace("Bank", "Controller")))
    made.say(T0, battery_temperature_C=47.0)
    assert not made.watch.states["Bank too hot"].first_out
    made.restart()  # the mark does not hang on the process
    (second,) = made.say(T0 + 30 * SECOND, controller_temperature_C=80.0)
    assert second.text.endswith("(after “Bank too hot”)")
    assert made.watch.states["Bank too hot"].first_out
    made.say(T0 + MINUTE, battery_temperature_C=40.0)
    made.say(T0 + HOUR, battery_temperature_C=47.0)  # raised anew, by itself
    assert not made.watch.states["Bank too hot"].first_out
    assert not made.watch.states["Controller too hot"].first_out


def test_alarms_raised_in_one_moment_come_in_the_order_in_which_they_went_beyond(daemon):
    both = HOT_AT_ONCE.replace("on_delay_s = 0", "on_delay_s = 60") + HOT_AT_ONCE.replace(
        "Bank", "Controller"
    ).replace("on_delay_s = 0", "on_delay_s = 120")
    made = daemon(changed(more=both))
    made.say(T0, controller_temperature_C=80.0)
    made.say(T0 + 60 * SECOND, controller_temperature_C=80.0, battery_temperature_C=47.0)
    steps = made.say(T0 + 120 * SECOND, battery_temperature_C=47.0, controller_temperature_C=80.0)
    assert [step.alarm for step in steps] == ["Controller too hot", "Bank too hot"]
    assert made.watch.states["Controller too hot"].first_out


def test_alarms_minutes_apart_are_no_flood(daemon):
    made = daemon(changed(more=HOT_AT_ONCE + HOT_AT_ONCE.replace("Bank", "Controller")))
    made.say(T0, battery_temperature_C=47.0)
    steps = made.say(T0 + 3 * MINUTE, controller_temperature_C=80.0)
    assert [step.text for step in steps] == ["Controller too hot: 80 °C is above 75 °C (since 11:03)"]


# --- the monitor itself ---


def test_a_start_after_dark_time_is_told_once_and_goes_by_itself(daemon):
    made = daemon()
    made.say(T0, battery_voltage_V=12.4)
    made.restart(T0 + 6 * HOUR)
    told = made.tick(T0 + 6 * HOUR)
    assert [step.text for step in told if step.alarm == "Monitor was dark"] == [
        "Monitor was dark: the monitor had no readings for 6.0 h before it started (since 17:00)"
    ]
    made.restart(T0 + 6 * HOUR + MINUTE)
    again = [made.tick(T0 + 6 * HOUR + minute * MINUTE) for minute in range(1, 15)]
    assert not [step for steps in again for step in steps if step.cause == "raised"]


def test_a_clock_that_is_set_after_a_restart_makes_no_dark_time(daemon):
    made = daemon()
    made.say(T0, battery_voltage_V=12.4)
    made.restart(T0 + MINUTE)
    made.watch.moved(T0 - HOUR, 6 * HOUR)  # the clock had stamped the reading, too
    told = made.tick(T0 + 6 * HOUR + MINUTE)
    assert [step for step in told if step.alarm == "Monitor was dark"] == []


def test_a_clock_that_is_set_while_a_dark_time_is_told_does_not_end_it_sooner(daemon):
    made = daemon()
    made.say(T0, battery_voltage_V=12.4)
    made.restart(T0 + 6 * HOUR)
    made.tick(T0 + 6 * HOUR)
    made.watch.moved(T0 + 6 * HOUR, 12 * HOUR)

    def over(minutes):
        told = [made.tick(T0 + 18 * HOUR + minute * MINUTE) for minute in minutes]
        return [step.cause for steps in told for step in steps if step.alarm == "Monitor was dark"]

    assert over(range(1, 10)) == []
    assert over(range(10, 20)) == ["returned"]


def test_a_store_that_cannot_be_written_is_told_after_two_minutes(daemon):
    made = daemon()
    made.watch.store_written(False)
    assert [step for step in made.tick(T0 + MINUTE) if step.cause == "raised"] == []
    (raised,) = [step for step in made.tick(T0 + 3 * MINUTE) if step.cause == "raised"]
    assert raised.text.startswith("Store not written: the store could not be written for 3 min")
    made.watch.store_written(True)
    assert "Store not written" in [
        step.alarm for step in made.tick(T0 + 5 * MINUTE) if step.cause == "returned"
    ]


def test_a_clock_behind_the_newest_reading_is_not_trusted(daemon):
    made = daemon()
    made.say(T0 + DAY, battery_voltage_V=12.4)
    told = [step for minute in range(15) for step in made.tick(T0 + minute * MINUTE)]
    (raised,) = [step for step in told if step.alarm == "Clock not trusted"]
    assert "min behind the newest stored reading" in raised.text
    behind_min = int(raised.text.partition("the clock is ")[2].split()[0])
    assert 24 * 60 - 15 <= behind_min <= 24 * 60


def test_doubtful_readings_that_persist_are_told(daemon):
    made = daemon()
    told = [
        step
        for minute in range(15)
        for step in made.say(T0 + minute * MINUTE, quality=Quality.SUSPECT, battery_temperature_C=85.0)
    ]
    (raised,) = [step for step in told if step.cause == "raised"]
    assert "bank temperature at the probe of charger reads 85 °C, jumps" in raised.text


def test_the_last_full_charge_is_known_after_a_restart(daemon):
    made = daemon()
    made.say(T0 - 40 * DAY, battery_voltage_V=12.4)
    made.store.add_event(Event(T0 - 3 * DAY, "full", "", "full"))
    made.restart(T0)
    made.say(T0, battery_voltage_V=12.4)
    assert made.state("No full charge") == Condition.NORMAL
    made.say(T0 + 12 * DAY, battery_voltage_V=12.4)
    assert made.state("No full charge") == Condition.UNACKNOWLEDGED
    made.watch.became_full(T0 + 12 * DAY)
    made.say(T0 + 12 * DAY + MINUTE, battery_voltage_V=14.4)
    assert made.state("No full charge") == Condition.RETURNED


def test_a_bank_never_seen_full_counts_from_the_first_reading(daemon):
    made = daemon()
    made.say(T0 - 40 * DAY, battery_voltage_V=12.4)
    made.say(T0 - DAY, battery_voltage_V=12.4)
    made.restart(T0)
    made.say(T0, battery_voltage_V=12.4)
    assert made.state("No full charge") == Condition.UNACKNOWLEDGED


def test_thermal_runaway_is_seen_across_a_restart_and_latches(daemon):
    made = daemon()
    told = []
    for minute in range(0, 150):
        at_ms = T0 + minute * MINUTE
        if minute == 70:
            made.restart(at_ms)
        made.clock.set(at_ms)
        values = {
            "battery_voltage_V": 13.5,
            "battery_current_A": 2.0 * 1.012**minute,
            "battery_temperature_C": 28 + 0.04 * minute,
        }
        readings = [Reading(at_ms, "charger", name, value) for name, value in values.items()]
        made.store.append(readings)
        told += [step for step in made.watch.judge(readings) if step.cause == "raised"]
    assert [step.alarm for step in told] == ["Thermal runaway"]
    for minute in range(150, 240):
        at_ms = T0 + minute * MINUTE
        made.say(at_ms, battery_voltage_V=13.0, battery_current_A=-2.0, battery_temperature_C=25.0)
    assert made.state("Thermal runaway") == Condition.LATCHED_UNACKNOWLEDGED


# --- the computer, from folders as the kernel makes them ---


def kernel(root, **files):
    for name, text in files.items():
        path = root / "sys/class" / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{text}\n", encoding="ascii")


def test_under_voltage_and_heat_come_from_the_kernels_own_files(daemon, tmp_path):
    root = tmp_path / "root"
    kernel(root, hwmon__hwmon0__name="cpu_thermal", hwmon__hwmon1__name="rpi_volt",
           hwmon__hwmon1__in0_lcrit_alarm="1", thermal__thermal_zone0__type="cpu-thermal",
           thermal__thermal_zone0__temp="84321")  # fmt: skip
    made = daemon(computer=Computer(tmp_path, root))
    told = [step for minute in range(8) for step in made.tick(T0 + minute * MINUTE)]
    raised = {step.alarm: step.text for step in told if step.cause == "raised"}
    assert set(raised) == {"Computer under-voltage", "Computer too hot"}
    assert "the computer's processor is at 84 °C" in raised["Computer too hot"]


def test_a_computer_that_tells_nothing_is_unknown(daemon, tmp_path):
    computer = Computer(tmp_path, tmp_path / "nothing")
    assert computer.under_voltage() is None
    assert computer.temperature() is None
    assert Computer(tmp_path / "no such folder").free_space() is None


def test_free_space_is_that_of_the_stores_disk(tmp_path):
    told = Computer(tmp_path).free_space()
    assert told.value == pytest.approx(shutil.disk_usage(tmp_path).free / 1e6, rel=0.05)
