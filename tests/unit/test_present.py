"""`nightbank now`: which reading stands, how it may be taken, and the document's promised names."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from monitor.alarms.standing import STANDING_WORDS, in_order
from monitor.bank.charge_words import charge_words
from monitor.cli import main
from monitor.clock import CLOCK_NOTE, PacedClock, SystemClock
from monitor.clock.course import Course
from monitor.clock.kernel import Kernel
from monitor.errors import StoreError
from monitor.now_words import in_words
from monitor.present import held, present
from monitor.records import (
    AlarmState,
    Condition,
    DeviceHealth,
    Heartbeat,
    Quality,
    Reading,
    parse_iso,
)
from monitor.sampling import BASIS_NOTE
from monitor.site.model import Bank, DeviceEntry, Metering, Place, Site
from monitor.store import heartbeat
from monitor.store.bundle import HELD_NOTE, rows_of
from monitor.store.embedded import open_writer

HOUR_MS = round(timedelta(hours=1).total_seconds() * 1000)


def site(level="controller"):
    return Site(
        metering=Metering(level=level),
        site=Place(name="Marsh hide", latitude_deg=52.6, longitude_deg=1.55),
        bank=Bank(chemistry="flooded", unit_voltage_V=6, unit_capacity_Ah=225, units_in_series=2),
        devices=tuple(
            DeviceEntry(name=name, profile="marsh-shunt", connection="serial", port=name)
            for name in ("shunt", "charger")
        ),
    )


@pytest.fixture
def store(tmp_path):
    with open_writer(tmp_path / "store.db", "UTC") as writer:
        writer.rank_devices(["shunt", "charger"])
        yield writer


def ago(age_s):
    return SystemClock().now_ms() - round(age_s * 1000)


def clock(time_ms):
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%H:%M")


def test_the_document_has_the_promised_names(store):
    at = ago(12)
    store.append(
        [
            Reading(at, "shunt", "battery_voltage_V", 12.47),
            Reading(at, "charger", "charge_stage", 2.0),
            Reading(at, "estimate", "state_of_charge", 0.72),
            Reading(at, "estimate", "state_of_charge_sd", 0.04),
        ]
    )
    store.put_alarm(
        AlarmState("Low voltage", "acknowledged", at, "high", 11.5, "Low voltage: 11.5 V", at - HOUR_MS)
    )
    store.put_health(DeviceHealth("shunt", "shunt 9600 baud", "answering", at, at, 80.0, 5))
    store.commit()
    document = present(site(), store)
    voltage = document["quantities"]["battery_voltage_V"]
    assert voltage.pop("age_s") == pytest.approx(12, abs=2)
    assert voltage == {"value": 12.47, "unit": "V", "quality": "good", "device": "shunt"}
    assert (document["site"], document["soc"], document["soc_sd"]) == ("Marsh hide", 0.72, 0.04)
    assert document["stage"] == "absorption"
    assert document["basis"] == []
    assert "state_of_charge" not in document["quantities"]
    (alarm,) = document["alarms"]
    assert (alarm["name"], alarm["state"], alarm["stands"]) == ("Low voltage", "acknowledged", True)
    assert [device["name"] for device in document["devices"]] == ["shunt"]


def test_a_value_that_was_not_renewed_is_stale_and_the_charge_unknown(store):
    store.append(
        [
            Reading(ago(3600), "shunt", "battery_voltage_V", 12.47),
            Reading(ago(3600), "estimate", "state_of_charge", 0.72),
        ]
    )
    document = present(site(), store)
    assert document["quantities"]["battery_voltage_V"]["quality"] == "stale"
    assert document["quantities"]["battery_voltage_V"]["value"] == 12.47
    assert (document["soc"], document["stage"]) == (None, None)


def estimated(time_ms, soc=0.72, sd=0.04, slow_ms=None, **slow):
    """The readings of an estimate; its slow quantities, by name, stored when they last changed."""
    return [
        *(Reading(slow_ms or time_ms, "estimate", name, value) for name, value in slow.items()),
        Reading(time_ms, "estimate", "state_of_charge", soc),
        Reading(time_ms, "estimate", "state_of_charge_sd", sd),
    ]


def test_the_charge_comes_with_what_it_rests_on(store):
    store.append(estimated(ago(5)))
    store.put_note(BASIS_NOTE, "full seen 2 days ago\nloads not metered: band wider")
    document = present(site(), store)
    assert document["basis"] == ["full seen 2 days ago", "loads not metered: band wider"]
    said = in_words(document, UTC).splitlines()
    at = said.index("State of charge 72 % (64 to 80 %), 19 times in 20; stage unknown.")
    assert said[at + 1 : at + 4] == [
        "It rests on:",
        "  - full seen 2 days ago",
        "  - loads not metered: band wider",
    ]


def test_a_charge_of_long_ago_rests_on_nothing_now(store):
    store.append(estimated(ago(3600)))
    store.put_note(BASIS_NOTE, "full seen 2 days ago")
    document = present(site(), store)
    assert (document["soc"], document["basis"]) == (None, [])
    said = in_words(document, UTC)
    assert "rests on" not in said
    assert re.search(r"State of charge not known now; at .*\d\d:\d\d it was 72 % \(64 to 80 %\)\.", said)


def test_a_quantity_without_a_value_tells_its_last_good_one(store):
    before = Reading(ago(120), "charger", "battery_voltage_V", 12.34)
    store.append(
        [before, replace(before, time_ms=ago(5), value=None, quality=Quality.MISSING, reason="no answer")]
    )
    document = present(site(), store)
    assert document["quantities"]["battery_voltage_V"]["last"]["value"] == 12.34
    assert re.search(
        r"no value +5 s ago, MISSING: no answer; last 12\.34 V at .*\d\d:\d\d", in_words(document, UTC)
    )


def test_no_value_is_a_minus_zero_and_percent_stands_apart(store):
    values = {"battery_current_A": -0.004, "battery_temperature_C": -0.04, "conversion_efficiency": 0.92}
    store.append(Reading(ago(5), "charger", name, value) for name, value in values.items())
    said = in_words(present(site(), store), UTC)
    for shown in (" 0.00 A ", " 0.0 °C ", " 92 % "):  # the space between figure and sign: SI Brochure, 5.4.7
        assert shown in said


def test_a_wide_band_is_told_without_a_figure_in_its_middle(store):
    store.append(estimated(ago(5), 0.62, 0.28))
    said = in_words(present(site(), store), UTC)
    assert "State of charge somewhere between 6 and 100 %, 19 times in 20; stage unknown." in said
    assert "62 %" not in said


@pytest.mark.parametrize(
    ("soc", "sd", "words"),
    [
        (None, None, "unknown"),
        (0.6, None, "unknown"),
        (0.6, 0.15, "60 % (30 to 90 %)"),
        (0.6, 0.151, "somewhere between 30 and 90 %"),
        (0.1, 0.2, "somewhere between 0 and 50 %"),
    ],
)
def test_the_charge_in_words(soc, sd, words):
    assert charge_words(soc, sd) == words


def test_an_unseen_load_that_has_not_changed_is_of_now(store):
    store.append(estimated(ago(5), slow_ms=ago(1800), unseen_load_A=1.23, bank_capacity_Ah=400.0))
    document = present(site("charging"), store)
    row = document["quantities"]["unseen_load_A"]
    assert (row["value"], row["unit"], row["quality"]) == (1.23, "A", "good")
    assert row["age_s"] == pytest.approx(5, abs=2)
    assert "about 1.2 A  " in in_words(document, UTC)


def test_an_unseen_load_ages_with_the_estimate(store):
    store.append(estimated(ago(3600), slow_ms=ago(7200), unseen_load_A=1.23))
    assert present(site("charging"), store)["quantities"]["unseen_load_A"]["quality"] == "stale"


def test_an_unseen_load_that_newer_estimates_leave_out_is_not_renewed():
    # a shunt began to see all: only the capacity was stored when it next changed
    unseen = Reading(1_000, "estimate", "unseen_load_A", 1.23)
    capacity = Reading(5_000, "estimate", "bank_capacity_Ah", 400.0)
    charge = Reading(9_000, "estimate", "state_of_charge", 0.7)
    assert [reading.time_ms for reading in held([unseen, capacity, charge])] == [1_000, 9_000, 9_000]


@pytest.mark.parametrize("level", ["controller", "shunt"])
def test_where_loads_are_metered_no_unseen_load_is_told(store, level):
    store.append(estimated(ago(5), unseen_load_A=0.2))
    assert present(site(level), store)["quantities"] == {}


def test_the_capacity_is_not_a_live_value(store):
    store.append(estimated(ago(5), bank_capacity_Ah=400.0, bank_capacity_sd_Ah=10.0))
    assert present(site("charging"), store)["quantities"] == {}


def test_a_silent_first_device_is_stood_in_for_by_the_next(store):
    store.append(
        [
            Reading(ago(600), "shunt", "battery_voltage_V", 12.4),
            Reading(ago(5), "charger", "battery_voltage_V", 12.5),
        ]
    )
    assert present(site(), store)["quantities"]["battery_voltage_V"]["device"] == "charger"


def test_a_missing_value_says_why(store):
    store.append(
        [Reading(ago(5), "shunt", "battery_temperature_C", None, Quality.MISSING, "the probe is not there")]
    )
    row = present(site(), store)["quantities"]["battery_temperature_C"]
    assert (row["value"], row["quality"], row["reason"]) == (None, "missing", "the probe is not there")


def test_a_device_that_left_the_site_file_is_not_listed(store):
    store.put_health(DeviceHealth("old", "x", "silent", 0, 0, None, 5))
    assert present(site(), store)["devices"] == []


def test_in_a_demo_that_runs_faster_the_present_is_the_demos(store):
    real = SystemClock().now_ms()
    store.put_note(CLOCK_NOTE, PacedClock(real - 60_000, real - 60_000, 60.0).note())
    store.append([Reading(real + 59 * 60_000 - 60_000, "shunt", "battery_voltage_V", 12.47)])
    voltage = present(site(), store)["quantities"]["battery_voltage_V"]
    assert voltage["quality"] == "good"
    assert 0 <= voltage["age_s"] < 600


def test_words_give_the_band_the_alarm_and_the_silent_device(store):
    at = ago(4)
    store.append(
        [
            Reading(at, "shunt", "battery_voltage_V", 11.5),
            Reading(at, "charger", "charge_stage", 0.0),
            Reading(at, "charger", "fault_bits", 2.0),
            Reading(at, "estimate", "state_of_charge", 0.32),
            Reading(at, "estimate", "state_of_charge_sd", 0.04),
        ]
    )
    store.put_alarm(
        AlarmState(
            "Low voltage", "unacknowledged", at, "high", 11.5, "Low voltage: 11.5 V is below 11.7 V", at
        )
    )
    store.put_health(
        DeviceHealth("charger", "port 9600 baud", "silent", at, at, None, 5, {}, "no answer within 1 s")
    )
    said = in_words(present(site(), store), UTC)
    assert "State of charge 32 % (24 to 40 %), 19 times in 20; stage off." in said
    assert "battery_under_voltage" in said
    assert re.search(
        rf"ALARM active since (\d+ \w+ )?{clock(at)}: Low voltage: 11.5 V is below 11.7 V\n", said
    )
    assert "charger: silent since" in said
    assert "(no answer within 1 s)" in said


@pytest.mark.parametrize(
    ("age_s", "words"),
    [
        (12, "12 s ago"),
        (300, "5 min ago"),
        (10_800, "3 h ago"),
        (864_000, "10 d ago"),
        (-600, "10 min ahead"),
    ],
)
def test_an_age_is_told_in_the_unit_that_tells(store, age_s, words):
    store.append([Reading(ago(age_s), "shunt", "battery_voltage_V", 12.5)])
    (line,) = (line for line in in_words(present(site(), store), UTC).splitlines() if "Bank voltage" in line)
    assert f"12.50 V  {words}" in line


def test_a_heartbeat_comes_back_and_a_spoilt_one_is_told(store):
    assert heartbeat.read_heartbeat(store) is None
    heartbeat.write_heartbeat(store, Heartbeat(5, 1, None))
    assert heartbeat.read_heartbeat(store) == Heartbeat(5, 1, None)
    store.put_note(heartbeat.NOTE, "{}")
    with pytest.raises(StoreError, match="start the monitor again"):
        heartbeat.read_heartbeat(store)


def test_every_state_of_which_a_person_is_told_has_words():
    told = {state for state in Condition if AlarmState("x", state, 0, "high", None, "").stands}
    assert told == set(STANDING_WORDS)


def test_alarms_are_told_standing_first_then_by_priority_then_by_age():
    def alarm(name, state, priority, raised_ms):
        return AlarmState(name, state, 0, priority, 1.0, name, raised_ms)

    states = [
        alarm("calm", "normal", "urgent", None),
        alarm("late", "unacknowledged", "high", 2_000),
        alarm("early", "acknowledged", "high", 1_000),
        alarm("worst", "unacknowledged", "urgent", 3_000),
    ]
    assert [state.name for state in in_order(states)] == ["worst", "early", "late", "calm"]


def test_a_shelved_alarm_is_told_with_its_end(store):
    at = ago(4)
    store.put_alarm(
        AlarmState(
            "Low voltage", "shelved", at, "high", 11.5, "", shelved_until_ms=at + HOUR_MS, standing=True
        )
    )
    said = in_words(present(site(), store), UTC)
    assert "No alarm." in said
    assert re.search(rf"Shelved until (\d+ \w+ )?{clock(at + HOUR_MS)}: Low voltage$", said)


def test_readings_that_wait_for_their_time_are_shown_with_the_time_not_known(store):
    kernel = Kernel()
    earliest_ms = parse_iso("2026-06-21T10:00:00Z")
    course = Course(kernel.boot, earliest_ms - kernel.count_ms())
    store.put_note(CLOCK_NOTE, course.note())
    store.append([Reading(earliest_ms - HOUR_MS, "shunt", "battery_voltage_V", 12.9)])
    waits = [Reading(earliest_ms, "shunt", "battery_voltage_V", 12.4)]
    store.put_note(HELD_NOTE, rows_of(waits))
    store.commit()
    document = present(site(), store)
    assert document["time_known"] is False
    row = document["quantities"]["battery_voltage_V"]
    assert (row["value"], row["quality"]) == (12.4, "good")
    assert "time not known yet, 21 Jun 2026 10:00 at the earliest" in in_words(document, UTC).splitlines()[0]
    assert "Nobody has told the monitor the time" in in_words(document, UTC)


def test_the_time_is_known_where_the_daemon_says_so(store):
    kernel = Kernel()
    course = Course(kernel.boot, ago(0) - kernel.count_ms(), "network")
    store.put_note(CLOCK_NOTE, course.note())
    store.commit()
    assert present(site(), store)["time_known"] is True


def test_the_terminal_says_first_that_nobody_watches(tmp_path):
    (tmp_path / "site.toml").write_text(
        '[site]\nname = "Hide"\nlatitude_deg = 52.6\nlongitude_deg = 1.55\n'
        '[bank]\nchemistry = "flooded"\nunit_voltage_V = 6\nunit_capacity_Ah = 225\nunits_in_series = 2\n',
        encoding="utf-8",
    )
    with open_writer(tmp_path / "nightbank.db", "UTC") as store:
        store.append([Reading(ago(7200), "shunt", "battery_voltage_V", 12.4)])
    asked = ["now", str(tmp_path / "site.toml")]
    said = CliRunner().invoke(main, asked).stdout
    assert said.startswith("The monitor has not been started yet: nobody is watching.\n\nHide, ")
    with open_writer(tmp_path / "nightbank.db", "UTC") as store:
        heartbeat.write_heartbeat(store, Heartbeat(ago(60), ago(7000), stopped_ms=ago(60)))
        store.commit()
    said = CliRunner().invoke(main, asked).stdout
    assert re.match(
        r"The monitor was stopped at .*\d\d:\d\d: nobody is watching; all here is of then\.\n\nHide", said
    )
