"""The night's questions, on sites of every kind: what is not known is told as not known."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.bank.sample import BankSample
from monitor.local_days import zone_of
from monitor.outlook import WARN_PROBABILITY
from monitor.outlook.answer import Band
from monitor.outlook.document import document
from monitor.outlook.make import Known, make
from monitor.outlook.past import SitePast
from monitor.outlook.words import sentence
from monitor.sun.day import Clear
from tests.unit.outlook_world import (
    DAY_MS,
    HOUR_MS,
    LAMPS,
    START,
    START_MS,
    UTC_HIDE,
    evening_lamps,
    lived,
    rows,
    site_of,
)

UTC_ZONE = zone_of("UTC")
DAYS = 8
AT_MS = START_MS + DAYS * DAY_MS + 18 * HOUR_MS + HOUR_MS // 2
KEYS = [
    "at",
    "sunset",
    "sunrise",
    "array_helps_from",
    "soc_min",
    "battery_voltage_min_V",
    "charge_used_Ah",
    "low_at",
    "crosses_reserve_probability",
    "crosses_disconnect_probability",
    "hours_left",
    "wet_days_left",
    "sentence",
    "basis",
    "course",
    "days",
    "switch_off",
]
"""The keys that page, alarms and other programs rely on."""


def clear_days_from(day, count):
    """A sun from half past six to half past seventeen that gives 400 W at noon."""
    steps = []
    for number in range(count * 288):
        hour = number % 288 / 12
        up = math.sin(math.pi * (hour - 6.5) / 11) if 6.5 <= hour <= 17.5 else -0.2
        power_W = max(0.0, 400 * up)
        start_ms = START_MS + (day * 288 + number) * 300_000
        steps.append(Clear(start_ms, 50 * up, 180.0, 700.0, 90.0, 30.0, power_W, power_W))
    return steps


def known_of(text, load=evening_lamps, days=DAYS + 18.5 / 24, sun_A=30.0, sun=True):
    site = site_of(text)
    estimator, past = lived(site, load, days, sun_A)
    return Known(
        site=site,
        bank=describe_site(site),
        at_ms=START_MS + round(days * DAY_MS),
        soc=estimator.soc,
        banks=lambda: estimator.ahead(400),
        past=past,
        clear=clear_days_from(int(days), 7) if sun else (),
        shares=[0.8] * 8 if sun else (),
    )


@pytest.fixture(scope="module")
def hide():
    return known_of(UTC_HIDE + LAMPS)


def test_the_document_has_all_that_others_rely_on(hide):
    told = document(make(hide), UTC_ZONE)
    assert set(KEYS) <= set(told)
    assert told["at"] == "2026-03-10T18:30:00Z"
    for key in ("soc_min", "battery_voltage_min_V", "charge_used_Ah"):
        assert told[key]["p10"] <= told[key]["p50"] <= told[key]["p90"]
    assert 0 <= told["crosses_reserve_probability"] <= 1
    assert [each["time"] for each in told["course"][:2]] == ["2026-03-10T18:35:00Z", "2026-03-10T19:00:00Z"]
    assert len(told["course"]) == 1 + 24
    assert len(told["days"]) == 5


def test_the_same_knowledge_gives_the_same_outlook(hide):
    assert make(hide) == make(hide)


def test_the_array_helps_once_it_carries_the_usual_load(hide):
    """The sun rises at half past six; the usual 1 A (12 W) and the monitor's 2 W are an array of 400 W within
    a quarter of an hour."""
    outlook = make(hide)
    morning_ms = START_MS + (DAYS + 1) * DAY_MS
    assert outlook.sunrise_ms == pytest.approx(morning_ms + 6.5 * HOUR_MS, abs=300_000)
    assert outlook.sunrise_ms < outlook.helps_ms < outlook.sunrise_ms + HOUR_MS / 2
    assert AT_MS < outlook.low_ms <= outlook.helps_ms


def test_the_ah_of_the_night_are_those_of_the_nights_before(hide):
    """Half past eighteen to half past six: 12 h of 1 A and the monitor's 2 W, 4.5 h of 5 A more."""
    assert make(hide).used_Ah.p50 == pytest.approx(12 * (1 + 2 / 12) + 4.5 * 5, rel=0.08)


@pytest.fixture(scope="module")
def short_of_sun():
    """Lamps of 8 A all night and little sun for some days: the bank stands little above its reserve."""

    def load(day, hour):
        return 8.0 if hour >= 18 or hour < 4 else 1.0

    return make(known_of(UTC_HIDE + LAMPS, load, days=3 + 18.5 / 24, sun_A=8.0))


def test_a_bank_that_will_not_last_is_told_in_the_evening(short_of_sun):
    assert short_of_sun.crosses_reserve_probability > WARN_PROBABILITY
    assert short_of_sun.soc_min.p50 < short_of_sun.soc_now


def test_each_branch_of_the_declared_loads_is_looked_at(short_of_sun):
    """60 W of lamps on branch 2 and 12 W of camera on branch 1; less load, less risk."""
    reliefs = {relief.branch: relief for relief in short_of_sun.switch_off}
    assert {branch: relief.power_W for branch, relief in reliefs.items()} == {"1": 12.0, "2": 60.0}
    assert (
        reliefs["2"].crosses_reserve_probability
        <= reliefs["1"].crosses_reserve_probability
        <= short_of_sun.crosses_reserve_probability
    )
    assert [relief.branch for relief in short_of_sun.switch_off] == ["1", "2"]


def test_hours_left_are_what_is_above_the_reserve_over_what_is_drawn(hide):
    """In the last 45 minutes 6 A for 30 and 1 A for 15, and the monitor's 2 W; the bank has 400 Ah."""
    outlook = make(hide)
    assert outlook.hours_left is not None
    expected = (outlook.soc_now - 0.5) * 400 / (6 * 30 / 45 + 1 * 15 / 45 + 2 / 12.5)
    assert outlook.hours_left == pytest.approx(expected, rel=0.2)


def test_a_site_without_an_array_lives_on_what_it_has():
    text = UTC_HIDE[: UTC_HIDE.index("[array]")] + UTC_HIDE[UTC_HIDE.index("[controller]") :]
    outlook = make(known_of(text, sun_A=0.0, sun=False))
    assert outlook.helps_ms is None
    assert outlook.sunrise_ms is None
    assert outlook.wet_days_left is None
    assert any("no array" in ground for ground in outlook.basis)
    assert "next 24 hours" in sentence(
        replace(outlook, soc_now=0.9, crosses_reserve_probability=0.0, crosses_disconnect_probability=0.0),
        UTC_ZONE,
    )
    assert document(outlook, UTC_ZONE)["days"][0]["array_gives_Wh"] is None


def test_a_site_without_a_controller_has_no_disconnect():
    begin, end = UTC_HIDE.index("[controller]"), UTC_HIDE.index("[metering]")
    outlook = make(known_of(UTC_HIDE[:begin] + UTC_HIDE[end:]))
    assert outlook.crosses_disconnect_probability is None
    assert any("no disconnect" in ground for ground in outlook.basis)


def test_the_first_hour_of_a_site_has_an_outlook_that_says_what_it_lacks():
    outlook = make(known_of(UTC_HIDE, days=1.5 / 24))
    assert any("loads not known yet" in ground for ground in outlook.basis)
    assert outlook.soc_min.p90 - outlook.soc_min.p10 > 0.2


def test_a_stored_bank_lasts_for_weeks():
    """Nothing is drawn but the monitor's 2 W: half of 400 Ah would last some fifty days."""
    outlook = make(known_of(UTC_HIDE, load=lambda day, hour: 0.0))
    assert outlook.hours_left > 500
    assert outlook.crosses_reserve_probability < WARN_PROBABILITY
    assert outlook.used_Ah.p50 < 5


def test_asked_by_day_the_night_to_come_is_told():
    """At noon the array carries the loads: the night begins in the evening and ends the next morning."""
    outlook = make(known_of(UTC_HIDE, days=DAYS + 0.5))
    assert outlook.helps_ms > START_MS + (DAYS + 1) * DAY_MS + 6 * HOUR_MS
    assert outlook.helps_ms < START_MS + (DAYS + 1) * DAY_MS + 8 * HOUR_MS


def test_where_no_current_is_read_the_loads_are_not_known():
    """A voltmeter alone: the estimator's guess of a load is none of this site's own."""
    site = site_of(UTC_HIDE)
    estimator, past = BankEstimator(describe_site(site)), SitePast(site)
    for time_ms, row in rows(evening_lamps, 2):
        voltage = {"battery_voltage_V": row["battery_voltage_V"]}
        estimate = estimator.update(BankSample(time_ms, **voltage))
        past.add(time_ms, voltage | {"unseen_load_A": estimate.unseen_load_A or 0.1})
    at_ms = START_MS + 2 * DAY_MS
    outlook = make(Known(site, describe_site(site), at_ms, estimator.soc, lambda: estimator.ahead(200), past))
    assert any("loads not known yet" in ground for ground in outlook.basis)
    assert outlook.hours_left is None
    assert outlook.used_Ah.p90 > 2 * outlook.used_Ah.p10


def test_the_sentence_is_one_line_in_local_time(hide):
    outlook = make(hide)
    calm = replace(outlook, soc_now=0.8, crosses_reserve_probability=0.01, crosses_disconnect_probability=0.0)
    low = datetime.fromtimestamp(calm.low_ms / 1000, UTC) + timedelta(hours=1)
    told = sentence(calm, zone_of("Europe/Berlin"))
    assert told == f"Lasts until morning: lowest about {100 * calm.soc_min.p50:.0f} % at {low:%H:%M}."
    lost = replace(
        calm,
        crosses_reserve_probability=0.95,
        reserve_ms=START_MS + 3 * HOUR_MS + 40 * 60_000,
        switch_off=(),
    )
    assert sentence(lost, UTC_ZONE) == "Will not last: reserve reached about 03:40."
    below = replace(calm, soc_now=0.4)
    assert sentence(below, UTC_ZONE).startswith("Already below the reserve of 50 %")
    assert "\n" not in sentence(outlook, UTC_ZONE)
    assert START.tzinfo is UTC


def test_where_little_is_known_the_lowest_charge_is_told_as_a_band(hide):
    """In the first hour a bank may stand anywhere; a figure would be below or above what 'now' says."""
    wide = replace(make(hide), soc_min=Band(0.18, 0.76, 0.97), crosses_reserve_probability=0.29)
    assert sentence(wide, UTC_ZONE).startswith(
        "May not last until morning: lowest somewhere between 18 and 97 %, and the reserve is 50 %."
    )
