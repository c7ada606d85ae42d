"""Telling the monitor the time: what the page's form and the command leave for the daemon."""

import csv

import pytest
from click.testing import CliRunner

from dashboard.clock_part import PHONE, SURE, TYPED, clock_section, time_request
from dashboard.forms import Hand, Mistyped
from dashboard.lock import State
from dashboard.markup import html_text
from monitor.cli import main
from monitor.clock import UNTOLD_NOTE
from monitor.clock.kernel import Kernel
from monitor.records import Quality, Reading, iso_utc, parse_iso
from monitor.store.embedded import open_reader
from monitor.store.held import HeldReadings, held_path
from tests.faults.clock_world import HOUR, ClockWorld
from tests.unit.site_files import MARSH_HIDE, write

NOON = parse_iso("2026-06-21T12:00:00Z")


@pytest.fixture
def world(tmp_path):
    return ClockWorld(tmp_path, NOON)


def told_ms(request):
    """The time that a request tells, by the count of the real computer now."""
    return request.details["offset_ms"] + Kernel().count_ms()


def test_a_phones_time_is_left_as_a_difference_to_the_count(world):
    request = time_request({PHONE: str(NOON), TYPED: ""}, world.site, 0)
    assert told_ms(request) == pytest.approx(NOON, abs=1000)
    assert request.details["boot"] == Kernel().boot
    assert "sure" not in request.details


def test_a_typed_time_is_local_and_goes_before_the_phones(world):
    typed = {PHONE: str(NOON), TYPED: "2026-06-21T19:30", SURE: "1"}
    request = time_request(typed, world.site, 0)
    # British summer time is an hour ahead of UTC; somewhere in that minute
    assert told_ms(request) == pytest.approx(parse_iso("2026-06-21T18:30:30Z"), abs=1000)
    assert request.details["sure"] == 1


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({}, "type the time"),
        ({PHONE: "0x10"}, "type the time"),
        ({PHONE: "0"}, "before 2026"),
        ({TYPED: "yesterday"}, "such as 2026-11-25T19:30"),
        ({TYPED: "1999-01-01T00:00"}, "before 2026"),
        ({TYPED: "9999-12-31T23:59"}, "after 2199"),
    ],
)
def test_what_is_no_time_is_refused_in_words(world, typed, says):
    with pytest.raises(Mistyped, match=says):
        time_request(typed, world.site, 0)


def test_care_says_whether_the_time_is_known_and_offers_the_form_to_whoever_may(world, monkeypatch):
    monkeypatch.setattr("dashboard.clock_part.clock_from_note", lambda note: world.reader_clock(note))
    with open_reader(world.store_file) as reader:
        (section,) = clock_section(reader, world.site, Hand(State.OPEN))
        (looked_at,) = clock_section(reader, world.site, Hand(State.LOCKED))
    assert "Nobody has told the monitor the time" in html_text(section)
    assert "Take the time of this phone" in html_text(section)
    assert "<form" not in html_text(looked_at)
    assert "readings are set aside" not in html_text(section)
    world.network()
    world.pass_time(HOUR)
    world.store.put_note(UNTOLD_NOTE, "720")
    world.save()
    with open_reader(world.store_file) as reader:
        (section,) = clock_section(reader, world.site, Hand(State.OPEN))
    assert "by the time of the network" in html_text(section)
    assert "720 readings are set aside" in html_text(section)


def test_the_command_tells_a_time_and_says_that_nobody_listens(tmp_path):
    file = write(tmp_path, MARSH_HIDE)
    world = ClockWorld(tmp_path, NOON)
    world.kill()
    answer = CliRunner().invoke(main, ["clock", str(file), "--set", "2026-11-25T19:30"])
    assert answer.exit_code == 0, answer.output
    with open_reader(world.store_file) as reader:
        (request,) = reader.open_requests()
    assert told_ms(request) == pytest.approx(parse_iso("2026-11-25T19:30:00Z"), abs=60_000)


def test_the_command_writes_out_what_was_set_aside(tmp_path):
    file = write(tmp_path, MARSH_HIDE)
    world = ClockWorld(tmp_path, NOON)
    world.kill()
    readings = [
        Reading(NOON, "charger", "battery_voltage_V", 12.34),
        Reading(NOON, "charger", "charge_current_A", None, Quality.MISSING, "no answer"),
    ]
    held = HeldReadings(held_path(world.store_file), "a boot")
    held.set_aside(readings, "stamped by a clock that was ahead")
    held.close()
    out = tmp_path / "aside.csv"
    answer = CliRunner().invoke(main, ["clock", str(file), "--aside", str(out)])
    assert "2 readings are set aside: stamped by a clock that was ahead." in answer.output
    rows = list(csv.DictReader(out.read_text(encoding="utf-8").splitlines()))
    assert [(int(row["time_ms"]), row["value"], row["quality"]) for row in rows] == [
        (NOON, "12.34", "good"),
        (NOON, "", "missing"),
    ]
    assert CliRunner().invoke(main, ["clock", str(file), "--aside", str(out)]).exit_code == 1


def test_a_run_that_never_learnt_the_time_comes_back_with_what_a_person_knows(tmp_path):
    file, world = write(tmp_path, MARSH_HIDE), ClockWorld(tmp_path, NOON)
    world.network()
    world.pass_time(HOUR)
    world.cut_power(5 * HOUR)
    on_ms = world.board.on_ms
    world.pass_time(HOUR)
    world.cut_power(5 * HOUR)
    untold = [each for each in world.served if each.boot == 2 and each.committed]
    world.finish()

    def clock(*options):
        return CliRunner().invoke(main, ["clock", str(file), *options])

    assert f"run 1: {2 * len(untold)} readings over" in clock().output
    run = ("--aside", str(tmp_path / "run.csv"), "--run")
    assert clock(*run, "1").exit_code == 2
    early = clock(*run, "1", "--on", iso_utc(NOON))
    assert (early.exit_code, "Say a later time" in early.output) == (1, True)
    late = clock(*run, "1", "--on", "2100-01-01T00:00Z")
    assert (late.exit_code, "still to come" in late.output) == (1, True)
    assert "There is no run 2: there are 1." in clock(*run, "2", "--on", iso_utc(on_ms)).output
    assert not (tmp_path / "run.csv").exists()
    assert clock(*run, "1", "--on", iso_utc(on_ms)).exit_code == 0
    brought = CliRunner().invoke(main, ["import", str(file), str(tmp_path / "run.csv")])
    assert brought.exit_code == 0, brought.output
    stored = {each.time_ms: each.value for each in world.stored()}
    assert [stored.get(each.time_ms) for each in untold] == [each.voltage_V for each in untold]
