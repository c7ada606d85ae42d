"""What the page says for what is stored: the sentence, how a value looks, the day's totals, health."""

import dataclasses
from datetime import date

import pytest

from dashboard.snapshot import Snapshot
from dashboard.summary import Daemon, summarize
from dashboard.values import value_of
from monitor.alarms.rules import rules_of
from monitor.bank.ledger import DayLedger
from monitor.present import Look, Now
from monitor.records import AlarmState, DeviceHealth, Heartbeat, Quality, Reading, parse_iso
from monitor.site.load import with_defaults
from monitor.site.model import Bank, DeviceEntry, Metering, Place, Site

NOW = parse_iso("2026-11-25T20:00:00Z")
MINUTE = 60_000
MIDNIGHT = parse_iso("2026-11-25T00:00:00Z")


def site(level="controller"):
    return Site(
        site=Place(name="Marsh hide", latitude_deg=52.6, longitude_deg=1.55, time_zone="Europe/London"),
        bank=Bank(chemistry="flooded", unit_voltage_V=6, unit_capacity_Ah=225, units_in_series=2),
        metering=Metering(level=level),
        devices=(
            DeviceEntry(name="controller", profile="x", connection="serial", port="a"),
            DeviceEntry(name="shunt", profile="x", connection="serial", port="b"),
        ),
    )


def reading(quantity, value, age_s=12, device="controller", quality=Quality.GOOD, reason=""):
    return Reading(NOW - round(age_s * 1000), device, quantity, value, quality, reason)


EVENING = (
    reading("battery_voltage_V", 12.5),
    reading("charge_current_A", 0.0),
    reading("load_power_W", 52.0),
    reading("charge_stage", 0),
    reading("battery_current_A", -4.2, device="derived"),
    reading("state_of_charge", 0.72, device="estimate"),
    reading("state_of_charge_sd", 0.04, device="estimate"),
)


BASIS = ("full seen 2 days ago", "a shunt sees every current")


def snapshot(latest=EVENING, **changes):
    plain = Snapshot(
        now=Now(NOW, 1.0),
        heartbeat=Heartbeat(NOW - 20_000, NOW - 600 * MINUTE, None),
        latest=tuple(latest),
        last_good={},
        ledger=None,
        day_start_ms=MIDNIGHT,
        span=(MIDNIGHT, NOW) if latest else None,
        basis=BASIS,
    )
    return dataclasses.replace(plain, **changes)


def replaced(*readings):
    """The evening with some readings replaced by others of the same quantity."""
    names = {each.quantity for each in readings}
    return (*(each for each in EVENING if each.quantity not in names), *readings)


def without(*quantities):
    return tuple(each for each in EVENING if each.quantity not in quantities)


# The sentence


def test_an_evening_with_lamps_on():
    said = summarize(snapshot(), site())
    assert said.sentence == "The bank is 72 % charged (64 to 80 %) and gives 4.2 A, at 12.5 V."
    assert said.notices == ()


def test_a_noon_in_absorption():
    latest = replaced(
        reading("battery_voltage_V", 14.4),
        reading("battery_current_A", 12.3, device="derived"),
        reading("charge_current_A", 14.0),
        reading("charge_stage", 2),
    )
    assert summarize(snapshot(latest), site()).sentence == (
        "The bank is 72 % charged (64 to 80 %) and is charging with 12.3 A in absorption, at 14.4 V."
    )


def test_the_pump_takes_more_than_the_array_brings():
    latest = replaced(reading("charge_current_A", 3.0), reading("charge_stage", 1))
    assert "gives 4.2 A on top of what the array brings" in summarize(snapshot(latest), site()).sentence


def test_a_current_within_the_meters_own_error_is_rest():
    latest = replaced(reading("battery_current_A", -0.05, device="derived"))
    assert "rests" in summarize(snapshot(latest), site()).sentence


def charge(soc, sd, age_s=12):
    """The evening with another charge."""
    return replaced(
        reading("state_of_charge", soc, device="estimate", age_s=age_s),
        reading("state_of_charge_sd", sd, device="estimate", age_s=age_s),
    )


def test_where_the_band_is_wide_no_one_figure_is_claimed():
    # By hand: 0.62 - 2 x 0.28 = 0.06; 0.62 + 2 x 0.28 = 1.18, more than a full bank
    said = summarize(snapshot(charge(0.62, 0.28)), site())
    assert said.sentence == ("The bank is somewhere between 6 and 100 % charged and gives 4.2 A, at 12.5 V.")
    assert (said.charge.figure.text, said.charge.beside) == ("6 to 100 %", "19 times in 20")
    assert said.charge.figure.number == 0.62


@pytest.mark.parametrize(
    ("sd", "text", "beside"),
    [(0.15, "60 %", "30 to 90 %, 19 times in 20"), (0.151, "30 to 90 %", "19 times in 20")],
)
def test_the_figure_gives_way_to_the_band_where_that_is_wider_than_half_the_bank(sd, text, beside):
    said = summarize(snapshot(charge(0.60, sd)), site()).charge
    assert (said.figure.text, said.beside) == (text, beside)


@pytest.mark.parametrize(("soc", "band"), [(0.02, "0 to 10 %"), (0.98, "90 to 100 %")])
def test_the_band_ends_where_the_bank_does(soc, band):
    assert summarize(snapshot(charge(soc, 0.04)), site()).charge.beside.startswith(band)


def test_the_charge_says_what_it_rests_on():
    assert summarize(snapshot(), site()).charge.basis == BASIS


def test_an_old_charge_does_not_say_what_it_rested_on():
    # the ages in the words count from the newest estimate
    said = summarize(snapshot(charge(0.72, 0.04, age_s=1800)), site()).charge
    assert said.figure.look is Look.STALE
    assert said.basis == ()


def test_a_charge_that_was_never_estimated_is_not_guessed():
    latest = without("state_of_charge", "state_of_charge_sd")
    said = summarize(snapshot(latest, basis=()), site())
    assert said.sentence == "The bank gives 4.2 A, at 12.5 V; its charge is not known yet."
    assert (said.charge.figure.text, said.charge.beside) == ("—", "not estimated yet")
    assert said.charge.basis == ()


def test_where_only_charging_is_metered_no_use_is_claimed():
    latest = replaced(
        reading("battery_current_A", None, device="derived", quality=Quality.MISSING, reason="not metered"),
        reading("charge_current_A", 9.0),
        reading("charge_stage", 1),
    )
    said = summarize(snapshot(latest), site("charging"))
    assert "takes 9.0 A from the controller in bulk" in said.sentence
    assert "battery_current_A" not in {value.quantity for value in said.main}
    assert said.totals[1].energy == "—"
    assert said.totals[1].note == "not metered: the controller does not see the loads"


def test_a_use_that_unlike_times_hide_is_not_known_and_says_why():
    said = summarize(snapshot(ledger=ledger(20.0, charge_Ah=20.0, charge_Wh=260.0)), site("shunt"))
    assert (said.totals[1].energy, said.totals[1].charge) == ("—", "—")
    assert said.totals[1].note == ("not known today: shunt and controller were not read over the same time")


def test_the_load_that_no_meter_shows_is_told_with_about_and_only_there():
    latest = (*EVENING, reading("unseen_load_A", 1.234, device="estimate"))
    main = {value.quantity: value for value in summarize(snapshot(latest), site("charging")).main}
    assert "load_power_W" not in main
    unseen = main["unseen_load_A"]
    assert (unseen.label, unseen.text) == ("Unmetered loads", "about 1.2 A")
    assert unseen.note == "estimated from how the bank behaves"
    for level in ("controller", "shunt"):
        said = summarize(snapshot(latest), site(level))
        assert "unseen_load_A" not in {value.quantity for value in (*said.main, *said.more)}


@pytest.mark.parametrize("level", ["controller", "shunt", "charging"])
def test_the_learnt_capacity_is_no_live_value(level):
    learnt = [reading(name, 400.0, device="estimate") for name in ("bank_capacity_Ah", "bank_capacity_sd_Ah")]
    said = summarize(snapshot((*EVENING, *learnt)), site(level))
    assert not [v.quantity for v in (*said.main, *said.more) if v.quantity.startswith("bank_capacity")]


def test_a_standing_alarm_comes_first_and_a_normal_one_not_at_all():
    alarms = (
        AlarmState("Low voltage", "unacknowledged", NOW - 48 * MINUTE, "high", 11.5,
                   "Low voltage: 11.5 V is below 11.7 V"),
        AlarmState("Hot bank", "normal", MIDNIGHT, "medium", 8.0, ""),
        AlarmState("Hot controller", "suppressed by design", NOW - MINUTE, "medium", 76.0, "x"),
    )  # fmt: skip
    said = summarize(snapshot(alarms=alarms), site())
    assert [notice.kind for notice in said.notices] == ["alarm"]
    assert said.notices[0].text == (
        "Alarm, high priority, active since 19:12. Low voltage: 11.5 V is below 11.7 V."
    )
    assert [(row.name, row.lasting) for row in said.alarms] == [("Low voltage", "48 min")]


OVER = "Low voltage is over and waits for your answer."


@pytest.mark.parametrize(
    ("state", "phrase", "beside"),
    [
        ("acknowledged", "active since 19:12, acknowledged.", "Low voltage: 11.5 V."),
        (
            "returned to normal unacknowledged",
            "back to normal, raised at 19:12 and not acknowledged yet.",
            OVER,
        ),
        ("latched acknowledged", "back to normal, raised at 19:12, to be reset.", OVER),
    ],
)
def test_how_an_alarm_stands_is_told_with_the_time_it_was_raised(state, phrase, beside):
    alarm = AlarmState(
        "Low voltage", state, NOW - MINUTE, "high", 12.1, "Low voltage: 11.5 V", NOW - 48 * MINUTE
    )
    said = summarize(snapshot(alarms=(alarm,)), site())
    assert said.notices == ()  # it may stand for days: the sentence comes first
    assert [item.text for item in said.standing] == [beside]
    assert f"{said.alarms[0].state}." == phrase
    assert said.alarms[0].lasting == ("48 min" if state == "acknowledged" else "48 min ago")


@pytest.mark.parametrize(
    ("priority", "state", "calls"),
    [
        ("urgent", "unacknowledged", True),
        ("high", "unacknowledged", True),
        ("medium", "unacknowledged", False),
        ("low", "unacknowledged", False),
        ("urgent", "acknowledged", False),
        ("urgent", "returned to normal unacknowledged", False),  # it is over
        ("urgent", "latched unacknowledged", False),
        ("urgent", "shelved", False),
    ],
)
def test_only_what_is_active_unanswered_and_high_calls(priority, state, calls):
    alarm = AlarmState("Low voltage", state, NOW, priority, 11.5, "Low voltage: 11.5 V", NOW)
    assert any(row.calls for row in summarize(snapshot(alarms=(alarm,)), site()).alarms) is calls


def test_nothing_calls_while_nobody_watches():
    alarm = AlarmState("Low voltage", "unacknowledged", NOW, "urgent", 11.5, "", NOW)
    beat = Heartbeat(NOW - 5 * MINUTE, MIDNIGHT, NOW - 5 * MINUTE)
    assert not summarize(snapshot(alarms=(alarm,), heartbeat=beat), site()).alarms[0].calls


def test_a_shipped_alarm_brings_what_to_do_first():
    alarm = AlarmState("Low voltage", "unacknowledged", NOW, "high", 11.5, "", NOW)
    (row,) = summarize(snapshot(alarms=(alarm,)), site()).alarms
    (rule,) = (rule for rule in rules_of(with_defaults(site())[0]) if rule.name == "Low voltage")
    assert row.do_first == rule.do_first != ""


def test_a_clock_that_is_not_trusted_has_its_own_mark():
    alarm = AlarmState("Clock not trusted", "unacknowledged", NOW, "medium", 1.0, "the clock is unset", NOW)
    assert [item.kind for item in summarize(snapshot(alarms=(alarm,)), site()).notices] == ["clock"]
    assert "Clock not trusted" in {rule.name for rule in rules_of(with_defaults(site())[0])}


def test_what_is_shelved_or_out_of_service_is_not_told_as_alarm_but_said():
    alarms = (
        AlarmState("Low voltage", "shelved", NOW, "high", 11.5, "", shelved_until_ms=NOW + 120 * MINUTE),
        AlarmState("Bank too hot", "out of service", NOW, "high", None, ""),
    )
    said = summarize(snapshot(alarms=alarms), site())
    assert said.notices == ()
    assert said.alarm_note == (
        "None is active, 2 watched. Low voltage is shelved until 22:00. Bank too hot is out of service."
    )


def test_an_alarm_of_less_priority_leaves_the_sentence_its_place():
    alarm = AlarmState(
        "No full charge", "unacknowledged", NOW, "medium", 12.0, "no full charge for 12 days", NOW
    )
    said = summarize(snapshot(alarms=(alarm,)), site())
    assert (said.notices, len(said.standing)) == ((), 1)


def test_the_first_of_several_alarms_is_marked():
    alarm = AlarmState("Low voltage", "unacknowledged", NOW, "high", 11.5, "", NOW, first_out=True)
    assert "first of several" in summarize(snapshot(alarms=(alarm,)), site()).notices[0].text


def test_no_alarm_standing_is_said():
    alarms = (AlarmState("Low voltage", "normal", MIDNIGHT, "high", 12.5, ""),)
    said = summarize(snapshot(alarms=alarms), site())
    assert said.alarms == ()
    assert said.alarm_note == "None is active, 1 watched."


# The daemon


def test_a_daemon_that_never_ran():
    said = summarize(snapshot((), heartbeat=None), site())
    assert said.daemon is Daemon.NEVER
    assert "has not been started yet" in said.notices[0].text
    assert said.sentence == "Nothing has been read from the bank yet."


def test_a_silent_daemon_puts_the_sentence_in_the_past():
    old = tuple(dataclasses.replace(each, time_ms=NOW - 25 * MINUTE) for each in EVENING)
    said = summarize(snapshot(old, heartbeat=Heartbeat(NOW - 25 * MINUTE, MIDNIGHT, None)), site())
    assert said.daemon is Daemon.SILENT
    assert "silent since 19:35" in said.notices[0].text
    assert (said.notices[0].kind, said.notices[0].age) == ("silent", "25 min ago")
    assert said.sentence == (
        "When last read, at 19:35, the bank was 72 % charged (64 to 80 %) and gave 4.2 A, at 12.5 V."
    )


def test_a_stopped_daemon_says_when():
    beat = Heartbeat(NOW - 5 * MINUTE, MIDNIGHT, NOW - 5 * MINUTE)
    said = summarize(snapshot(heartbeat=beat), site())
    assert said.daemon is Daemon.STOPPED
    assert "stopped at 19:55" in said.notices[0].text
    assert (said.notices[0].kind, said.notices[0].age) == ("stopped", "5 min ago")
    assert said.sentence.startswith("When last read, at 19:59, the bank was")


def test_a_clock_that_was_put_back_is_told():
    said = summarize(snapshot(heartbeat=Heartbeat(NOW + 60 * MINUTE, MIDNIGHT, None)), site())
    assert said.daemon is Daemon.AHEAD
    assert said.sentence.startswith("When last read, at 19:59, the bank was")
    assert "1 h ahead" in said.notices[0].text
    assert said.notices[0].kind == "clock"


@pytest.mark.parametrize(("quiet_s", "state"), [(149, Daemon.RUNNING), (151, Daemon.SILENT)])
def test_a_late_commit_is_no_silence(quiet_s, state):
    # commit_every_s is 60: two of them and half a minute
    beat = Heartbeat(NOW - quiet_s * 1000, MIDNIGHT, None)
    assert summarize(snapshot(heartbeat=beat), site()).daemon is state


def test_in_a_demo_that_runs_faster_than_life_patience_runs_as_fast():
    beat = Heartbeat(NOW - 10 * MINUTE, MIDNIGHT, None)
    assert summarize(snapshot(heartbeat=beat, now=Now(NOW, 60.0)), site()).daemon is Daemon.RUNNING


def test_while_the_daemon_runs_a_silent_device_is_told_in_the_sentence():
    latest = replaced(reading("battery_voltage_V", 12.5, age_s=1800))
    said = summarize(snapshot(latest), site())
    assert said.sentence.startswith("The bank's voltage is no longer read; at 19:30 the bank was")


# How a value looks


def test_a_fresh_good_value_is_live():
    value = value_of(snapshot(), site(), "battery_voltage_V")
    assert (value.look, value.text, value.age) == (Look.LIVE, "12.5 V", "12 s ago")


@pytest.mark.parametrize(("age_s", "look"), [(84, Look.LIVE), (86, Look.STALE)])
def test_a_value_is_stale_after_a_commit_three_polls_and_a_little(age_s, look):
    # 60 s commit + 3 polls of 5 s + 10 s
    latest = replaced(reading("battery_voltage_V", 12.5, age_s=age_s))
    assert value_of(snapshot(latest), site(), "battery_voltage_V").look is look


def test_a_value_from_the_future_is_not_live():
    latest = replaced(reading("battery_voltage_V", 12.5, age_s=-600))
    value = value_of(snapshot(latest), site(), "battery_voltage_V")
    assert (value.look, value.age) == (Look.STALE, "10 min ahead")


def test_a_suspect_value_says_why():
    odd = reading("battery_voltage_V", 91.0, quality=Quality.SUSPECT, reason="91 is outside 0 to 80")
    value = value_of(snapshot(replaced(odd)), site(), "battery_voltage_V")
    assert (value.look, value.note) == (Look.SUSPECT, "91 is outside 0 to 80")


def test_a_missing_value_says_why_and_what_it_was():
    gone = reading("battery_temperature_C", None, quality=Quality.MISSING, reason="the probe is not there")
    good = {"battery_temperature_C": reading("battery_temperature_C", 8.4, age_s=3600)}
    value = value_of(snapshot((*EVENING, gone), last_good=good), site(), "battery_temperature_C")
    assert (value.look, value.text, value.number) == (Look.MISSING, "—", None)
    assert value.note == "the probe is not there; last 8.4 °C at 19:00"


def test_what_was_never_read_says_so():
    value = value_of(snapshot(()), site(), "battery_voltage_V")
    assert (value.look, value.note) == (Look.MISSING, "never read")


def test_the_second_device_stands_in_while_the_first_is_silent():
    latest = replaced(
        reading("battery_voltage_V", 12.5, age_s=900),
        reading("battery_voltage_V", 12.48, device="shunt"),
    )
    value = value_of(snapshot(latest), site(), "battery_voltage_V")
    assert (value.look, value.number) == (Look.LIVE, 12.48)


def test_the_better_ranked_device_stands_while_both_answer():
    latest = (*EVENING, reading("battery_voltage_V", 12.48, device="shunt", age_s=1))
    assert value_of(snapshot(latest), site(), "battery_voltage_V").number == 12.5


# The day


def ledger(covered_h, **values):
    unknown = dict.fromkeys(
        ("harvest_Wh", "charge_Ah", "charge_Wh", "used_Ah", "used_Wh", "voltage_min_V", "voltage_min_ms",
         "voltage_max_V")
    )  # fmt: skip
    return DayLedger(day=date(2026, 11, 25), covered_s=covered_h * 3600, **(unknown | values))


def test_todays_harvest_and_use_in_both_units():
    day = ledger(20, harvest_Wh=1240.2, charge_Ah=88.04, used_Wh=310.0, used_Ah=25.0)
    said = summarize(snapshot(ledger=day), site())
    assert [(row.label, row.energy, row.charge) for row in said.totals] == [
        ("Harvest", "1,240 Wh", "88.0 Ah"),
        ("Use", "310 Wh", "25.0 Ah"),
    ]
    assert said.day_note == ""


def test_a_day_with_gaps_says_how_much_was_read():
    said = summarize(snapshot(ledger=ledger(14, harvest_Wh=900.0)), site())
    assert said.day_note == "With gaps: 14 h of the day's 20 h were read; the rest is not counted."


def test_a_day_without_readings_shows_no_zero():
    said = summarize(snapshot(), site())
    assert said.day_note == "Nothing was read today."
    assert {row.energy for row in said.totals} == {"—"}


# Devices


def test_a_silent_device_says_since_when_why_and_when_it_is_asked_again():
    health = DeviceHealth(
        "controller", "/dev/ttyUSB0", "silent", NOW - 25 * MINUTE, NOW - 25 * MINUTE, 85.2, 4212,
        {"no answer": 12, "bad frame": 3, "echo": 0}, "unit 1: no answer within 1 s", NOW + 30_000,
    )  # fmt: skip
    row = summarize(snapshot(health=(health,)), site()).devices[0]
    assert row.headline == "silent since 19:35 (25 min)"
    assert row.details == (
        "on /dev/ttyUSB0",
        "last answer at 19:35 (25 min ago), took 85 ms",
        "asked again in 30 s",
        "last error: unit 1: no answer within 1 s",
        "of 4,212 polls: 12 × no answer, 3 × answer damaged",
    )


def test_what_is_odd_about_a_working_line_is_told():
    odd = "unit 1: answers later than the time-out of 0.2 s; it is now given 0.3 s."
    health = DeviceHealth(
        "controller", "/dev/ttyUSB0", "answering", MIDNIGHT, NOW, 240.0, 7, remark=odd
    )  # fmt: skip
    assert odd in summarize(snapshot(health=(health,)), site()).devices[0].details


def test_a_device_that_never_answered():
    health = DeviceHealth("controller", "/dev/ttyUSB0", "never answered", MIDNIGHT, None, None, 7)
    assert summarize(snapshot(health=(health,)), site()).devices[0].headline == "has never answered"
