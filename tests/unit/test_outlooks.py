"""The daemon's outlooks: every quarter of an hour from the live estimator, kept as a note of the store."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest

from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.bank.sample import BankSample
from monitor.errors import ServerError, Trouble
from monitor.outlook import OUTLOOK_NOTE
from monitor.outlook.past import KEPT_DAYS
from monitor.outlook_report import outlook_at
from monitor.outlooks import EVERY_MS, Outlooks
from monitor.records import Reading, iso_utc
from monitor.sampling import Keeper
from monitor.store.embedded import open_writer
from monitor.sun.expected import clear_days, note_key, supply_of
from monitor.sun.table import DayTable, packed
from tests.unit.outlook_world import START, UTC_HIDE, evening_lamps, rows, site_of

DAYS = 6 + 19 / 24


class Hand:
    """A clock that is set by hand."""

    def __init__(self, now_ms):
        self.now = now_ms

    def now_ms(self):
        return self.now

    def elapsed_s(self):
        return self.now / 1000


class Counting:
    """A store that counts how much of the past is asked for."""

    def __init__(self, store):
        self._store = store
        self.asked_ms = 0

    def rows(self, quantities, start_ms, end_ms, every_s=None):
        self.asked_ms += end_ms - start_ms
        return self._store.rows(quantities, start_ms, end_ms, every_s)

    def __getattr__(self, name):
        return getattr(self._store, name)


@pytest.fixture(scope="module")
def lived_in(tmp_path_factory):
    """A store with the sun's tables and the estimator after six days and an evening."""
    site = site_of(UTC_HIDE)
    supply = supply_of(site)
    days = [START.date() + timedelta(days=number) for number in range(15)]
    path = tmp_path_factory.mktemp("outlooks") / "store.db"
    with open_writer(path, "UTC") as store:
        estimator, keeper = BankEstimator(describe_site(site)), Keeper()
        for time_ms, row in rows(evening_lamps, DAYS):
            sample = BankSample(time_ms, **row)
            store.append(Reading(time_ms, "charger", name, value) for name, value in row.items())
            store.append(keeper.readings(estimator.update(sample), sample))
        for day, steps in clear_days(supply, days).items():
            store.put_note(note_key(day), packed(DayTable(day, supply.key, steps)))
        store.commit()
        yield site, store, estimator, time_ms


def until_made(outlooks, estimator, rounds=KEPT_DAYS + 2):
    for number in range(rounds):
        found = outlooks.follow(estimator)
        if found is not None:
            return found, number
    raise AssertionError("no outlook was made")


def test_it_is_made_once_the_past_is_read_and_again_every_quarter_of_an_hour(lived_in):
    site, store, estimator, last_ms = lived_in
    clock = Hand(last_ms + 60_000)
    outlooks = Outlooks(site, store, clock)
    first, rounds = until_made(outlooks, estimator)
    assert rounds == KEPT_DAYS  # a day of the past in each round before
    assert outlooks.follow(estimator) is None
    clock.now += EVERY_MS - 1
    assert outlooks.follow(estimator) is None
    clock.now += 1
    again = outlooks.follow(estimator)
    assert again.at_ms - first.at_ms == EVERY_MS


def test_the_note_holds_the_document_that_alarms_and_page_read(lived_in):
    site, store, estimator, last_ms = lived_in
    outlook, _ = until_made(Outlooks(site, store, Hand(last_ms + 60_000)), estimator)
    told = json.loads(store.note(OUTLOOK_NOTE))
    assert told["at"] == iso_utc(outlook.at_ms)
    assert told["crosses_reserve_probability"] == pytest.approx(outlook.crosses_reserve_probability, abs=1e-3)
    assert {"crosses_disconnect_probability", "low_at", "sunrise", "sentence"} <= set(told)


def test_daemon_and_command_tell_the_same_night(lived_in):
    """The one reads five-minute rows and has the live estimator, the other goes through every reading."""
    site, store, estimator, last_ms = lived_in
    live, _ = until_made(Outlooks(site, store, Hand(last_ms + 1)), estimator)
    asked = outlook_at(site, store, last_ms + 1)
    assert live.soc_now == pytest.approx(asked.soc_now, abs=0.01)
    assert live.used_Ah.p50 == pytest.approx(asked.used_Ah.p50, rel=0.1)
    assert live.voltage_min_V.p50 == pytest.approx(asked.voltage_min_V.p50, abs=0.05)


def test_the_past_is_read_once(lived_in):
    site, store, estimator, last_ms = lived_in
    counting, clock = Counting(store), Hand(last_ms + 60_000)
    outlooks = Outlooks(site, counting, clock)
    until_made(outlooks, estimator)
    before_ms = counting.asked_ms
    for _ in range(4):
        clock.now += EVERY_MS
        assert outlooks.follow(estimator) is not None
    assert counting.asked_ms - before_ms == 4 * EVERY_MS


def test_without_a_voltage_or_after_a_long_silence_there_is_no_outlook(lived_in):
    site, store, estimator, last_ms = lived_in
    clock = Hand(last_ms + 60_000)
    outlooks = Outlooks(site, store, clock)
    nothing_read = BankEstimator(describe_site(site))
    for _ in range(KEPT_DAYS + 2):
        assert outlooks.follow(nothing_read) is None
    clock.now += 4 * 3_600_000
    assert outlooks.follow(estimator) is None


def test_until_the_suns_tables_are_there_no_charge_is_counted_on(lived_in):
    """The store's tables are of another array."""
    _, store, estimator, last_ms = lived_in
    other = site_of(UTC_HIDE.replace("tilt_deg = 35", "tilt_deg = 60"))
    outlook, _ = until_made(Outlooks(other, store, Hand(last_ms + 60_000)), estimator)
    assert outlook.helps_ms is None
    assert any("sun's tables" in ground for ground in outlook.basis)


def test_a_days_sky_counts_as_soon_as_its_table_is_there(lived_in):
    """At the daemon's first start the process of the sun's tables ends after the first outlook was made."""
    site, store, estimator, last_ms = lived_in
    kept = {key: store.note(key) for key in [note_key(START.date() + timedelta(days=n)) for n in range(6)]}
    for key in kept:
        store.put_note(key, "not yet")
    clock = Hand(last_ms + 60_000)
    outlooks = Outlooks(site, store, clock)
    first, _ = until_made(outlooks, estimator)
    for key, text in kept.items():
        store.put_note(key, text)
    clock.now += EVERY_MS
    then = outlooks.follow(estimator)
    assert "sun as on 1 day of this site's record" in first.basis  # today's, so far
    assert "sun as on 7 days of this site's record" in then.basis


def test_what_two_devices_show_minutes_apart_is_one_past(tmp_path):
    """A shunt and a controller read four minutes apart: neither is fresh for the other's sample."""
    site = site_of(UTC_HIDE.replace('level = "controller"', 'level = "shunt"'))
    with open_writer(tmp_path / "store.db", "UTC") as store:
        for time_ms, row in rows(evening_lamps, DAYS):
            charge_A = row.pop("charge_current_A")
            del row["load_current_A"]
            store.append(Reading(time_ms, "shunt", name, value) for name, value in row.items())
            store.append([Reading(time_ms + 4 * 60_000 - 1, "charger", "charge_current_A", charge_A)])
        store.commit()
        asked = outlook_at(site, store, time_ms + 1)
    assert "loads as on the last 7 days of this site" in asked.basis
    assert "sun as on 7 days of this site's record" in asked.basis


class Failing(Counting):
    """A store whose server is away at every third question about the past."""

    questions = 0

    def rows(self, *asked):
        self.questions += 1
        found = super().rows(*asked)
        if self.questions % 3 == 0:
            next(iter(found), None)
            raise ServerError("the store's server does not answer", Trouble.UNREACHABLE)
        return found


def test_a_server_that_is_away_now_and_then_costs_no_day_of_the_past(lived_in):
    site, store, estimator, last_ms = lived_in
    whole, broken = (Outlooks(site, each, Hand(last_ms + 60_000)) for each in (store, Failing(store)))
    until_made(whole, estimator)
    failures = 0
    for _ in range(10 * KEPT_DAYS):
        try:
            made = broken.follow(estimator)
        except ServerError:
            failures += 1
        else:
            if made is not None:
                break
    assert failures > KEPT_DAYS
    assert np.array_equal(broken._past._sums, whole._past._sums)
    assert np.array_equal(broken._past._counts, whole._past._counts)
