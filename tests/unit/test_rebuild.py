"""`nightbank rebuild`: the stored history estimated anew, raw readings untouched; inside and as typed."""

import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import UTC, date, datetime, timedelta

import pytest

from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.bank.sample import BankSample
from monitor.clock import SteppedClock
from monitor.errors import StoreError
from monitor.pipeline import Pipeline
from monitor.poll import PollResult
from monitor.rebuild import rebuild
from monitor.records import DeviceHealth, Quality, Reading, iso_utc, to_ms
from monitor.sampling import ESTIMATE, ESTIMATOR_NOTE
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_importer, open_reader, open_writer
from tests.unit.site_files import changed, write

T0 = to_ms(datetime(2026, 6, 20, 4, tzinfo=UTC))
MINUTE_MS = 60_000
RAW = (
    "battery_voltage_V",
    "battery_current_A",
    "charge_current_A",
    "load_current_A",
    "battery_temperature_C",
)

SHUNT = """
[[devices]]
name = "shunt"
profile = "marsh-shunt"
connection = "serial"
port = "/dev/ttyUSB0"
every_s = 60

[[devices]]
name = "charger"
profile = "marsh-charger"
connection = "serial"
port = "/dev/ttyUSB1"
every_s = 60
"""


def site_file(folder, *edits, level="shunt"):
    text = changed(f'metering.level = "{level}"', *edits, without=("devices",), more=SHUNT)
    return write(folder, text)


def described(file):
    return with_defaults(load_site(file))[0]


def polls(minutes, seed):
    """A charger and a shunt through a charge to full and a discharge: (device, time, readings) in order."""
    rng = random.Random(seed)
    for minute in range(minutes):
        phase = minute % 600
        charging = phase < 400
        voltage_V = 14.8 if charging and phase > 60 else 13.2 if charging else 12.5
        net_A = max(1.0, 30.0 - phase / 10) if charging else -6.0
        time_ms = T0 + minute * MINUTE_MS
        if rng.random() > 0.05:
            yield (
                "charger",
                time_ms + 20_000,
                {
                    "battery_voltage_V": voltage_V + 0.02,
                    "charge_current_A": max(0.0, net_A + 1),
                    "load_current_A": 1.0 if charging else 6.0,
                    "battery_temperature_C": 25.0,
                },
            )
        if rng.random() > 0.05:
            yield "shunt", time_ms + 40_000, {"battery_voltage_V": voltage_V, "battery_current_A": net_A}


def reading(rng, time_ms, device, quantity, value):
    kind = rng.random()
    if kind < 0.02:
        return Reading(time_ms, device, quantity, None, Quality.MISSING, "no answer")
    if kind < 0.04:
        return Reading(time_ms, device, quantity, value + 5, Quality.SUSPECT, "jump")
    return Reading(time_ms, device, quantity, value)


def goes_on(file, note):
    """Charge, deviation and capacity with which an estimator goes on from a note a minute later."""
    estimator = BankEstimator(describe_site(described(file)), note)
    sample = BankSample(estimator.last_ms + MINUTE_MS, 12.5, -6.0)
    estimate = estimator.update(sample)
    return [estimate.soc, estimate.soc_sd, estimate.capacity_Ah / 1000]


def fill(file, minutes=900, seed=1):
    """The store as the daemon fills it, through its pipeline."""
    rng = random.Random(seed)
    site = described(file)
    clock = SteppedClock(T0)
    with open_writer(file.parent / "nightbank.db", site.site.time_zone) as store:
        pipeline = Pipeline(site, store, clock)
        for number, (device, time_ms, values) in enumerate(polls(minutes, seed)):
            clock.set(time_ms)
            readings = tuple(reading(rng, time_ms, device, q, v) for q, v in values.items())
            health = DeviceHealth(device, "line", "answering", time_ms, time_ms, 50.0, 1)
            pipeline.take(PollResult(device, readings, health, None))
            if number % 500 == 0:
                pipeline.save()
        pipeline.save(stopped=True)
    return file.parent / "nightbank.db"


def kept(path, *devices):
    with open_reader(path) as reader:
        return list(reader.readings(0, 2 * T0, devices))


def charges(path):
    return [r.value for r in kept(path, ESTIMATE) if r.quantity == "state_of_charge" and r.value is not None]


def again(file, from_ms=T0, **more):
    site = described(file)
    with open_writer(file.parent / "nightbank.db", site.site.time_zone) as store:
        return rebuild(site, store, from_ms, SteppedClock(T0 + 10**9), **more)


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def file(tmp_path):
    return site_file(tmp_path)


# --- the same road -------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", ["shunt", "controller", "charging"])
def test_an_unchanged_description_gives_the_daemons_own_estimates(tmp_path, level, seed):
    """Two devices, lost polls, missing and suspect values: both roads make the same samples."""
    file = site_file(tmp_path, level=level)
    path = fill(file, seed=seed)
    before, raw = kept(path, ESTIMATE), kept(path, "shunt", "charger", "derived")
    with open_reader(path) as reader:
        note = reader.note(ESTIMATOR_NOTE)
    assert len(before) > 1000, f"seed {seed}"
    done = again(file)
    assert kept(path, ESTIMATE) == before, f"seed {seed}"
    assert kept(path, "shunt", "charger", "derived") == raw
    assert done.first_ms == before[0].time_ms
    assert done.last_ms == before[-1].time_ms
    with open_reader(path) as reader:
        assert goes_on(file, reader.note(ESTIMATOR_NOTE)) == pytest.approx(goes_on(file, note), abs=1e-4), (
            f"seed {seed}: the daemon goes on as before"
        )


def test_a_changed_description_gives_other_estimates_and_leaves_what_was_before_t(tmp_path):
    path = fill(site_file(tmp_path))
    from_ms = T0 + 300 * MINUTE_MS
    before = kept(path, ESTIMATE)
    smaller = site_file(tmp_path, "bank.unit_capacity_Ah = 100")
    done = again(smaller, from_ms)
    after = kept(path, ESTIMATE)
    early = [r for r in before if r.time_ms < from_ms]
    assert after[: len(early)] == early
    assert after != before
    assert done.first_ms >= from_ms


def test_the_same_use_takes_more_out_of_a_smaller_bank(tmp_path):
    """200 minutes of 6 A after full: 20 Ah of 450 Ah, or of 200 Ah."""
    path = fill(site_file(tmp_path), minutes=600)
    large = charges(path)
    again(site_file(tmp_path, "bank.unit_capacity_Ah = 100"))
    assert charges(path)[-1] < large[-1] - 0.02


def test_the_daemon_goes_on_from_the_new_estimate(tmp_path):
    path = fill(site_file(tmp_path))
    smaller = site_file(tmp_path, "bank.unit_capacity_Ah = 100")
    again(smaller)
    newest = next(r for r in reversed(kept(path, ESTIMATE)) if r.quantity == "state_of_charge")
    site = described(smaller)
    with open_writer(path, site.site.time_zone) as store:
        time_ms = newest.time_ms + MINUTE_MS
        pipeline = Pipeline(site, store, SteppedClock(time_ms))
        values = {"battery_voltage_V": 12.5, "battery_current_A": -6.0}
        readings = tuple(Reading(time_ms, "shunt", quantity, value) for quantity, value in values.items())
        health = DeviceHealth("shunt", "line", "answering", time_ms, time_ms, 50.0, 1)
        pipeline.take(PollResult("shunt", readings, health, None))
        went_on = store.latest_good("state_of_charge")
    # a minute of 6 A out of 200 Ah are 0.0005 of it; estimators may weigh a reading, but none leaps
    assert went_on.time_ms == time_ms
    assert went_on.value == pytest.approx(newest.value, abs=0.02)


def test_days_and_events_follow(tmp_path):
    path = fill(site_file(tmp_path))
    smaller = site_file(tmp_path, "bank.unit_capacity_Ah = 100")
    again(smaller)
    day = date(2026, 6, 20)
    with open_reader(path) as reader:
        (stat,) = (s for s in reader.days(day, day) if s.quantity == "state_of_charge")
        rebuilt = [event for event in reader.events(0, 2 * T0) if event.kind == "rebuild"]
    charge = [
        r.value for r in kept(path, ESTIMATE) if r.quantity == "state_of_charge" and r.value is not None
    ]
    assert (stat.count, stat.minimum, stat.maximum) == (len(charge), min(charge), max(charge))
    (event,) = rebuilt
    assert f"from {iso_utc(T0)} on" in event.text


def test_imported_rows_get_estimates_beside_the_daemons(tmp_path):
    """A log by the minute of the day before, at which no device was polled yet."""
    file = site_file(tmp_path)
    path = fill(file)
    day_before = T0 - 86_400_000
    with open_importer(path, "Europe/London") as writer:
        for minute in range(100):
            at = day_before + minute * MINUTE_MS
            writer.append(
                [
                    Reading(at, "import", "battery_voltage_V", 12.6),
                    Reading(at, "import", "battery_current_A", -3),
                ]
            )
        writer.commit()
    before = kept(path, ESTIMATE)
    done = again(file, day_before)
    after = kept(path, ESTIMATE)
    assert {r.time_ms for r in after} - {r.time_ms for r in before} == {
        day_before + minute * MINUTE_MS for minute in range(100)
    }
    assert done.first_ms == day_before


def test_progress_goes_on_to_the_end(file):
    fill(file)
    heard = []
    done = again(file, progress=heard.append)
    assert heard == sorted(heard)
    assert len(heard) == done.polls // 500


def test_a_span_without_readings_is_told(file):
    fill(file, minutes=10)
    with pytest.raises(StoreError, match=r"no reading from .* its last one is of 2026-06-20"):
        again(file, T0 + 10**9)


# --- as a user types it --------------------------------------------------------------------------------


def test_the_command_leaves_raw_readings_as_they_were_to_the_byte(tmp_path):
    fill(site_file(tmp_path))
    smaller = site_file(tmp_path, "bank.unit_capacity_Ah = 100")
    span = ("--from", "2026-06-01", "--to", "2026-07-01")
    raw = [part for quantity in RAW for part in ("--quantity", quantity)]
    before = run("export", smaller, *span, *raw).stdout
    charge = run("export", smaller, *span, "--quantity", "state_of_charge").stdout
    done = run("rebuild", smaller, "--from", "2026-06-20")
    assert (done.returncode, done.stdout) == (0, "")
    assert "estimates made anew, 2026-06-20T04:0" in done.stderr
    assert run("export", smaller, *span, *raw).stdout == before
    assert before.count("\n") > 1000
    assert run("export", smaller, *span, "--quantity", "state_of_charge").stdout != charge


def test_beside_a_running_daemon_it_is_refused(file):
    path = fill(file, minutes=10)
    with open_writer(path, "Europe/London"):
        done = run("rebuild", file, "--from", "2026-06-20")
    assert done.returncode == 1
    assert "another writer, most likely the daemon" in done.stderr
    assert "stop it first" in done.stderr


def test_without_a_store_none_is_made(file):
    done = run("rebuild", file, "--from", "2026-06-20")
    assert done.returncode == 1
    assert "no store yet" in done.stderr
    assert not (file.parent / "nightbank.db").exists()


@pytest.mark.parametrize("arguments", [(), ("--from", "yesterday")])
def test_wrong_use_ends_with_two(file, arguments):
    fill(file, minutes=10)
    assert run("rebuild", file, *arguments).returncode == 2


def test_a_span_without_a_good_voltage_is_told(file):
    with open_writer(file.parent / "nightbank.db", "Europe/London") as writer:
        writer.append([Reading(T0, "charger", "charge_current_A", 3.0)])
        writer.commit()
    done = run("rebuild", file, "--from", "2026-06-20")
    assert done.returncode == 1
    assert "no good voltage" in done.stderr


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGKILL])
def test_a_rebuild_that_is_stopped_midway_has_changed_nothing(tmp_path, sent):
    path = fill_quickly(site_file(tmp_path), minutes=60_000)
    before = kept(path, ESTIMATE)
    smaller = site_file(tmp_path, "bank.unit_capacity_Ah = 100")
    command = [sys.executable, "-m", "monitor.cli", "rebuild", str(smaller), "--from", "2026-06-20"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        stop_in_a_writing(path, process)
        process.send_signal(sent)
        process.send_signal(signal.SIGCONT)
        said = process.communicate(timeout=30)[1]
    assert process.returncode == (1 if sent == signal.SIGINT else -signal.SIGKILL), said
    assert "Traceback" not in said
    assert kept(path, ESTIMATE) == before
    if sent == signal.SIGINT:
        assert "the estimates are as they were" in said


def fill_quickly(file, minutes):
    """A long history straight into the store, with old estimates beside it."""
    path = file.parent / "nightbank.db"
    with open_writer(path, "Europe/London") as store:
        for minute in range(minutes):
            at = T0 + minute * MINUTE_MS
            store.append(
                [
                    Reading(at, "shunt", "battery_voltage_V", 12.5),
                    Reading(at, "shunt", "battery_current_A", -0.01),
                    Reading(at, ESTIMATE, "state_of_charge", 0.42),
                ]
            )
        store.commit()
    return path


def stop_in_a_writing(path, process):
    """Make another process stand still while it holds the store's lock for a long writing."""
    until = time.monotonic() + 30
    while time.monotonic() < until:
        assert process.poll() is None, process.stderr.read()
        if locked(path):
            time.sleep(0.05)  # no moment's lock of opening, but the one of the rebuild
            process.send_signal(signal.SIGSTOP)
            if locked(path):
                return
            process.send_signal(signal.SIGCONT)
        time.sleep(0.005)
    raise AssertionError("the rebuild never began to write")


def locked(path):
    with closing(sqlite3.connect(path, timeout=0)) as connection:
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError:
            return True
        connection.execute("ROLLBACK")
    return False


def test_the_span_of_the_help_is_a_local_day(tmp_path):
    """Midnight of 20 June at the site is 23:00 UTC of the 19th (British Summer Time)."""
    file = site_file(tmp_path)
    path = fill(file, minutes=30)
    run("rebuild", file, "--from", "2026-06-20")
    with open_reader(path) as reader:
        (event,) = (event for event in reader.events(0, 4 * T0) if event.kind == "rebuild")
    assert iso_utc(T0 - round(timedelta(hours=5).total_seconds() * 1000)) in event.text
