"""A store on a real server that stops, hangs, refuses: nothing committed is lost, and its writer goes on."""

from __future__ import annotations

import signal
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import pytest

from monitor.errors import ServerError, StoreError
from monitor.records import AlarmState, Condition, Notice, Reading, Request, Transition
from monitor.served.recount import without
from monitor.served.writer import ServedWriter, leave_served_request
from monitor.site.load import load_site
from tests.interop.mirror_world import BUCKET, NOON_MS
from tests.interop.series_servers import BUSY, Gate, Influx, Relay
from tests.interop.served_world import VOLTAGE, ServedSite, crash, volts
from tests.waiting import wait_for

ALARM = AlarmState("Low voltage", Condition.UNACKNOWLEDGED, NOON_MS, "high", 11.3, "bank below 11.5 V")
NOTICE = Notice(NOON_MS, "alarm", "Low voltage", "high", "phone", "Low", "11.3 V", "due", NOON_MS)
LONG_S = 3600.0
TRIES = 60
T = TypeVar("T")
LONDON = ZoneInfo("Europe/London")
NOON_DAY, DAYS_LATER = date(2026, 11, 24), date(2026, 11, 27)


@pytest.fixture
def site(tmp_path: Path, gate: Gate) -> ServedSite:
    return ServedSite(tmp_path / "hide", gate.url)


def there(site: ServedSite, gate: Gate) -> list[Reading]:
    """All that the server has, from a reader of its own."""
    with site.reader(gate.url) as reader:
        return list(reader.readings(0, 2**50))


def told(site: ServedSite, gate: Gate) -> list[str]:
    with site.reader(gate.url) as reader:
        return [event.text for event in reader.events(0, 2**50) if event.kind == "store"]


def keep(writer: ServedWriter, *readings: Reading) -> None:
    writer.append(readings)
    writer.commit()


def patiently(ask: Callable[[], T]) -> T:
    """What a writer with a short time-out gets of its server: a busy computer answers some questions late."""
    for _ in range(TRIES):
        with suppress(ServerError):
            return ask()
    return ask()


def give_all(site: ServedSite, writer: ServedWriter) -> None:
    """Commit until nothing waits any more."""
    for _ in range(TRIES):
        site.clock.skip(LONG_S)
        writer.commit()
        if writer._outgoing.link.error is None and not writer._shelf.waiting:
            return
    raise AssertionError(f"it still waits: {writer._outgoing.link.error}")


# --- the server is away --------------------------------------------------------------------------------


def test_what_comes_while_the_server_is_away_is_there_once_it_is_back(site: ServedSite, gate: Gate) -> None:
    expected = [volts(at * 5, 12 + at / 100) for at in range(60)]
    with site.writer() as writer:
        keep(writer, *expected[:20])
        gate.stop()
        keep(writer, *expected[20:40])
        assert writer.latest() == [expected[39]]
        assert writer.last_commit.new == 20
        with pytest.raises(ServerError, match="cannot be reached"):
            writer.series(VOLTAGE, NOON_MS, NOON_MS + 100_000, 10)
        gate.start()
        keep(writer, *expected[40:50])
        assert len(there(site, gate)) == 20, "the next try is not due yet"
        site.clock.skip(LONG_S)
        keep(writer, *expected[50:])
        assert there(site, gate) == expected
        (day,) = writer.days(NOON_DAY, NOON_DAY)
        assert (day.count, day.covered_s) == (60, 59 * 5)
    assert told(site, gate) == [], "a short outage is nothing to tell"


def test_present_state_is_answered_and_changed_while_the_server_is_away(site: ServedSite, gate: Gate) -> None:
    with site.writer() as writer:
        writer.put_note("basis", "former")
        keep(writer, volts(0))
        gate.stop()
        writer.put_alarm(ALARM)
        writer.put_note("basis", "new")
        writer.add_notice(NOTICE)
        writer.add_transition(_raised(NOON_MS))
        writer.commit()
        (notice,) = writer.open_notices()
        assert notice.id > 0
        assert (writer.alarms(), writer.note("basis")) == ([ALARM], "new")
        assert [each.alarm for each in writer.transitions(0, 2**50)] == ["Low voltage"]
        assert (writer.open_requests(), writer.note("day/2026-11-24")) == ([], None)
        writer.put_notice(replace(notice, state="delivered", finished_ms=NOON_MS + 1))
        writer.commit()
        assert writer.open_notices() == []
        gate.start()
        site.clock.skip(LONG_S)
        writer.commit()
        with site.reader(gate.url) as reader:
            assert (reader.alarms(), reader.note("basis")) == ([ALARM], "new")
            assert [each.state for each in reader.notices()] == ["delivered"]
            (transition,) = reader.transitions(0, 2**50)
            assert transition == replace(_raised(NOON_MS), id=transition.id)


def test_alarms_do_not_wait_for_the_readings_of_an_outage_which_go_in_pieces(
    site: ServedSite, gate: Gate
) -> None:
    expected = [volts(at) for at in range(20_000)]
    with site.writer() as writer:
        gate.stop()
        for at in range(0, 20_000, 5000):
            keep(writer, *expected[at : at + 5000])
        gate.start()
        site.clock.skip(LONG_S)
        site.clock.step_s = 1.0  # as slow as a link on which a piece takes a second
        writer.put_alarm(ALARM)
        writer.commit()
        assert 0 < len(there(site, gate)) < 20_000
        with site.reader(gate.url) as reader:
            assert reader.alarms() == [ALARM]
        keep(writer, volts(20_000))
        for _ in range(20):
            writer.commit()
        assert writer._shelf.waiting == 0
    assert there(site, gate) == [*expected, volts(20_000)]


def test_a_long_outage_is_told_once_and_its_end(site: ServedSite, gate: Gate) -> None:
    with site.writer() as writer:
        keep(writer, volts(0))
        gate.stop()
        for at in range(1, 5):
            keep(writer, volts(at))
            site.clock.skip(500)
        gate.start()
        site.clock.skip(LONG_S)
        keep(writer, volts(5))
        writer.commit()
    began, ended = sorted(told(site, gate), key=lambda text: "again;" in text)
    assert "cannot be reached (no connection)" in began
    assert "is kept on this computer" in began
    assert "takes readings again" in ended


@pytest.mark.parametrize("mode", ["hang", "cut", "refuse", "slow"])
def test_a_server_that_does_not_answer_costs_one_time_out_and_no_reading(
    tmp_path: Path, gate: Gate, mode: str
) -> None:
    """cut: the request arrives and its answer never does, so all of it comes a second time. slow: each part
    of an answer takes 0.3 s, so that some come in time."""
    relay = Relay(gate.port)
    try:
        site = ServedSite(tmp_path / "hide", relay.url)
        with site.writer(timeout_s=0.5) as writer:
            keep(writer, *(volts(at) for at in range(10)))
            relay.mode = mode
            keep(writer, *(volts(at) for at in range(10, 20)))
            keep(writer, *(volts(at) for at in range(20, 30)))
            relay.mode = "carry"
            wait_for(lambda: not relay.holds)  # an old request that comes last would spoil the newest sums
            writer.append(volts(at) for at in range(30, 40))
            give_all(site, writer)
            (day,) = patiently(lambda: writer.days(NOON_DAY, NOON_DAY))
            assert (day.count, day.covered_s) == (40, 39)
        assert there(site, gate) == [volts(at) for at in range(40)]
    finally:
        relay.close()


def test_a_server_that_is_busy_is_left_alone_as_long_as_it_asks(site: ServedSite, gate: Gate) -> None:
    with site.writer() as writer:
        keep(writer, volts(0))
        gate.open_with(BUSY)
        keep(writer, volts(1))
        gate.open_with()
        site.clock.skip(6)
        keep(writer, volts(2))
        assert len(there(site, gate)) == 1, "it asked for 7 s"
        site.clock.skip(2)
        keep(writer, volts(3))
        assert len(there(site, gate)) == 4


def test_a_server_that_is_killed_has_all_again_afterwards(
    site: ServedSite, influx: Influx, gate: Gate
) -> None:
    with site.writer() as writer:
        keep(writer, *(volts(at) for at in range(100)))
        influx.stop(signal.SIGKILL)
        keep(writer, *(volts(at) for at in range(100, 200)))
        influx.start()
        site.clock.skip(LONG_S)
        keep(writer, *(volts(at) for at in range(200, 300)))
        assert there(site, gate) == [volts(at) for at in range(300)]


# --- starts and ends -----------------------------------------------------------------------------------


def test_a_daemon_comes_up_without_its_server_and_goes_on(site: ServedSite, gate: Gate) -> None:
    with site.writer() as writer:
        writer.rank_devices(["charger"])
        writer.put_alarm(ALARM)
        writer.put_note("basis", "kept")
        writer.add_notice(NOTICE)
        keep(writer, volts(0))
        (first,) = writer.open_notices()
    gate.stop()
    with site.writer() as writer:
        assert (writer.alarms(), writer.note("basis")) == ([ALARM], "kept")
        assert writer.latest() == [volts(0)]
        assert writer.open_notices() == [first]
        writer.add_notice(NOTICE)
        keep(writer, volts(1))
    with site.writer() as writer:  # once more, with something on the shelf
        assert writer.latest() == [volts(1)]
        assert [each.id for each in writer.open_notices()] == [first.id, first.id + 1]
        keep(writer, volts(2))
        gate.start()
        site.clock.skip(LONG_S)
        writer.add_notice(NOTICE)
        keep(writer, volts(3))
    assert there(site, gate) == [volts(at) for at in range(4)]
    with site.reader(gate.url) as reader:
        assert [each.id for each in reader.open_notices()] == [first.id, first.id + 1, first.id + 2]


def test_the_newest_readings_are_known_while_they_wait_though_the_server_has_older_ones(
    site: ServedSite, gate: Gate
) -> None:
    with site.writer() as writer:
        keep(writer, volts(0))
        gate.stop()
        keep(writer, volts(1))
    gate.start()
    with site.writer() as writer:
        assert writer.latest() == [volts(1)]
        assert writer.latest_good(VOLTAGE) == volts(1)
        assert there(site, gate) == [volts(0)], "nothing goes out before the first commit"
        writer.commit()
    assert there(site, gate) == [volts(0), volts(1)]


def test_notes_of_single_days_wait_on_this_computer_and_do_not_stay_there(
    site: ServedSite, gate: Gate
) -> None:
    with site.writer() as writer:
        writer.put_note("day/2026-11-23", "kept by the server")
        keep(writer, volts(0))
        gate.stop()
        writer.put_note("day/2026-11-24", "waits")
        keep(writer, volts(1))
    with site.writer() as writer:
        assert [writer.note(f"day/2026-11-{day}") for day in (23, 24)] == [None, "waits"]
        gate.start()
        site.clock.skip(LONG_S)
        keep(writer, volts(2))
        assert [writer.note(f"day/2026-11-{day}") for day in (23, 24)] == ["kept by the server", "waits"]
        assert [point.of for point, _ in writer._shelf.documents() if point.of.startswith("day")] == []
    with site.reader(gate.url) as reader:
        assert [reader.note(f"day/2026-11-{day}") for day in (23, 24)] == ["kept by the server", "waits"]


def test_a_first_start_without_a_server_keeps_what_comes_and_numbers_it_apart(
    site: ServedSite, gate: Gate
) -> None:
    gate.stop()
    with site.writer() as writer:
        writer.add_notice(NOTICE)
        keep(writer, volts(0))
        gate.start()
        site.clock.skip(LONG_S)
        keep(writer, volts(1))
        (notice,) = writer.open_notices()
        assert notice.id > 10**12, "numbers that the server may know from before are not given again"
    assert there(site, gate) == [volts(0), volts(1)]


def test_a_mistake_in_the_site_file_is_told_at_the_first_start_and_later_survived(
    site: ServedSite, influx: Influx, gate: Gate
) -> None:
    gate.open_with("return 401;")
    with pytest.raises(ServerError, match="look at the store's secret"):
        site.writer()
    gate.open_with()
    with site.writer() as writer:
        keep(writer, volts(0))
    gate.open_with("return 401;")
    with site.writer() as writer:
        keep(writer, volts(1))
        gate.open_with()
        site.clock.skip(LONG_S)
        keep(writer, volts(2))
        writer.commit()
    assert there(site, gate) == [volts(0), volts(1), volts(2)]
    assert any("look at the store's secret" in text for text in told(site, gate)), "told at once"


def test_a_question_that_a_server_cannot_read_is_told_with_its_name(site: ServedSite, gate: Gate) -> None:
    gate.open_with("return 400;")
    with pytest.raises(ServerError, match=r"127\.0\.0\.1:\d+: cannot answer \("):
        site.writer()
    gate.open_with()


def test_a_bucket_that_forgets_is_refused_at_the_first_start(
    site: ServedSite, influx: Influx, gate: Gate
) -> None:
    influx.ask(f"DROP DATABASE {BUCKET}")
    influx.ask(f"CREATE DATABASE {BUCKET} WITH DURATION 30d")
    with pytest.raises(ServerError, match="it must keep for ever what is written"):
        site.writer()


def test_a_server_that_asks_for_a_token_is_written_asked_and_changed_with_it(tmp_path: Path) -> None:
    (folder := tmp_path / "server").mkdir()
    with Influx(folder, auth=True) as influx, Gate(folder, influx.port) as gate:
        influx.ask("CREATE USER hide WITH PASSWORD 'word' WITH ALL PRIVILEGES")
        influx.ask(f"CREATE DATABASE {BUCKET}", u="hide", p="word")
        site = ServedSite(tmp_path / "hide", gate.url, 'secret = "hub"\n')
        secrets = site.folder / "secrets.toml"
        secrets.write_text('hub = "hide:another"\n')
        secrets.chmod(0o600)
        with pytest.raises(ServerError, match="look at the store's secret") as refused:
            site.writer()
        assert "another" not in str(refused.value)
        secrets.write_text('hub = "hide:word"\n')
        with site.writer() as writer:
            keep(writer, volts(0), volts(1))
            writer.replace("charger", NOON_MS, NOON_MS + 1000, [])
            secrets.write_text('hub = "hide:another"\n')
            gate.open_with("return 401;")
            keep(writer, volts(2))
            gate.open_with()
            secrets.write_text('hub = "hide:word"\n')
            site.clock.skip(LONG_S)
            keep(writer, volts(3))
            assert there(site, gate) == [volts(1), volts(2), volts(3)]


def test_readings_that_only_the_server_kept_are_counted_at_the_next_start(
    site: ServedSite, influx: Influx, gate: Gate
) -> None:
    """A power cut of both: the server kept a request's readings, and not where their channels end."""
    with site.writer() as writer:
        keep(writer, volts(0), volts(1))
    tag = site.name.replace(" ", "\\ ")
    influx.write(BUCKET, f"nightbank,site={tag},device=charger {VOLTAGE}=12.75 {NOON_MS + 2000}")
    with site.writer() as writer:
        keep(writer, volts(3))
        (day,) = writer.days(NOON_DAY, NOON_DAY)
        assert (day.count, day.maximum) == (4, 12.75)
        assert writer.span() == (NOON_MS, NOON_MS + 3000)


def test_a_replacement_that_was_cut_off_is_finished_at_the_next_start(site: ServedSite, gate: Gate) -> None:
    new = [volts(at, 13.0) for at in range(3, 6)]
    for cut_after_deleting in (False, True):
        writer = site.writer()
        keep(writer, *(volts(at) for at in range(10)))
        writer._shelf.stage("charger", NOON_MS + 3000, NOON_MS + 6000, iter([new]))
        if cut_after_deleting:
            ends = writer._outgoing.sending.ends
            without(writer._measured, LONDON, ends, "charger", NOON_MS + 3000, NOON_MS + 6000)
        crash(writer)
        with site.writer() as writer:
            assert there(site, gate) == [new[at - 3] if 3 <= at < 6 else volts(at) for at in range(10)]
            (day,) = writer.days(NOON_DAY, NOON_DAY)
            assert (day.count, day.maximum) == (10, 13.0)
            assert writer._shelf.staged() is None
            writer.replace("charger", 0, NOON_MS + 10_000, [])


def test_replacing_needs_the_server_and_changes_nothing_without_it(site: ServedSite, gate: Gate) -> None:
    with site.writer() as writer:
        keep(writer, volts(0))
        gate.stop()
        with pytest.raises(ServerError, match="cannot be reached"):
            writer.replace("charger", NOON_MS, NOON_MS + 1000, [])
        gate.start()
    assert there(site, gate) == [volts(0)]


def test_days_are_cut_anew_where_the_time_zone_has_changed(site: ServedSite, gate: Gate) -> None:
    hourly = [volts(at * 3600, float(at % 24)) for at in range(72)]
    with site.writer() as writer:
        keep(writer, *hourly)
        counts = [day.count for day in writer.days(NOON_DAY, DAYS_LATER)]
    assert counts == [12, 24, 24, 12], "noon in London, in winter"
    site.file.write_text(site.file.read_text().replace("Europe/London", "Asia/Kathmandu"))
    with site.writer() as writer:
        counts = [day.count for day in writer.days(NOON_DAY, DAYS_LATER)]
        assert counts == [7, 24, 24, 17], "noon is 17:45 there, so six full hours and noon itself are left"
        keep(writer, volts(72 * 3600))
        assert writer.days(NOON_DAY, DAYS_LATER)[-1].count == 18


# --- what the server refuses, and what is too much -------------------------------------------------------


def test_refused_values_are_set_aside_and_told_and_all_others_go_on(
    site: ServedSite, influx: Influx, gate: Gate
) -> None:
    # somebody wrote whole numbers into this hour's array_power_W before: its type is fixed by that
    influx.write(BUCKET, f"nightbank,site=x,device=x array_power_W=3i {NOON_MS}")
    with site.writer() as writer:
        for at in range(5):
            keep(writer, volts(at), Reading(NOON_MS + 1000 * at, "charger", "array_power_W", 40.5))
        writer.commit()
        refused = writer._shelf.refused()
    assert there(site, gate) == [volts(at) for at in range(5)]
    assert {(point.time_ms, *point.values.items()) for point, _, _ in refused} == {
        (NOON_MS + 1000 * at, ("array_power_W", 40.5)) for at in range(5)
    }
    (text,) = told(site, gate)
    assert "does not take array_power_W of charger: " in text
    assert "field type conflict" in text


def test_the_oldest_of_what_waits_is_thinned_out_and_told_where_it_is_too_much(
    site: ServedSite, gate: Gate
) -> None:
    with site.writer() as writer:
        writer._shelf._spool_bytes = 20_000
        keep(writer, volts(0))
        gate.stop()
        for minute in range(1, 400):
            keep(writer, *(volts(60 * minute + 5 * at, 12 + minute % 89 / 7 + at / 100) for at in range(12)))
        assert writer._shelf._bytes <= 20_000
        gate.start()
        for _ in range(3):
            site.clock.skip(LONG_S)
            writer.commit()
        assert writer._shelf.waiting == 0
    readings = there(site, gate)
    times = [(each.time_ms - NOON_MS) // 1000 for each in readings]
    assert times[0] == 0
    assert times[-12:] == [399 * 60 + 5 * at for at in range(12)], "the newest are whole"
    assert max(after - before for before, after in pairwise(times)) <= 605
    assert len(times) < 400 * 12
    began, ended = told(site, gate)[::-1]
    assert "one reading in five minutes is left" in began
    assert ended.startswith(f"{400 * 12 - 11 - len(times)} of the readings")


# --- two writers ---------------------------------------------------------------------------------------


def test_a_second_writer_on_this_computer_is_refused(site: ServedSite, gate: Gate) -> None:
    with site.writer(), pytest.raises(StoreError, match="another writer, most likely the daemon,"):
        site.writer()


def test_another_computer_that_writes_the_same_site_is_told(
    site: ServedSite, tmp_path: Path, gate: Gate
) -> None:
    other = ServedSite(tmp_path / "other", gate.url)
    with site.writer() as ours, other.writer() as theirs:
        keep(ours, volts(0))
        keep(theirs, Reading(NOON_MS, "shunt", VOLTAGE, 12.4))
        theirs.commit()
        site.clock.skip(LONG_S)
        keep(ours, volts(1))
        ours.commit()
    before, now = sorted(told(site, gate), key=lambda text: "too:" in text)
    assert "has written this site before" in before
    assert "writes this site, too" in now


def test_a_request_is_left_on_the_server_and_never_in_a_copy(
    site: ServedSite, influx: Influx, gate: Gate
) -> None:
    asked = Request(NOON_MS, "acknowledge", "Low voltage", by="Ada")
    described = load_site(site.file)
    with site.writer() as writer:
        number = leave_served_request(described, site.file, asked)
        assert writer.open_requests() == [replace(asked, id=number)]
    tag = site.name.replace(" ", "\\ ")
    document = '{\\"name\\": \\"x\\", \\"origin\\": \\"mirror\\"}'
    influx.write(BUCKET, f'nightbank_record,site={tag},kind=site,key=- number=0i,document="{document}" 0')
    with pytest.raises(StoreError, match="is a copy; ask where its daemon runs"):
        leave_served_request(described, site.file, asked)


def _raised(at_ms: int) -> Transition:
    return Transition(
        at_ms, "Low voltage", Condition.NORMAL, Condition.UNACKNOWLEDGED, "raised", "high", "11.3 V"
    )
