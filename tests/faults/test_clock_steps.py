"""Computers that do not know the time, and clocks that jump: no reading is lost, doubled or out of order.

What was served is the judge: on the wire for the real daemon, in the world's own list for the drawn ones.
`tests.bench.clock_steps` goes through many more of these.
"""

import shutil
import signal
import subprocess
import sys
from contextlib import closing, suppress
from datetime import date
from itertools import pairwise

import pytest

from monitor.clock import CLOCK_NOTE, TIME_REQUEST, UNTOLD_NOTE
from monitor.clock.kernel import Kernel
from monitor.errors import ServerError, StoreError, Trouble
from monitor.present import latest_of
from monitor.records import Reading, Request, parse_iso
from monitor.simulated import SimulatorProcess
from monitor.store.embedded import leave_request, open_reader, open_writer
from monitor.store.writer import EmbeddedWriter
from tests.faults.clock_child import set_clocks
from tests.faults.clock_world import DAY, HOUR, ClockWorld, judge
from tests.waiting import wait_for
from tests.wiretap import WireTap

MINUTE = 60_000
NEAR_MS = 3_000
"""A phone of the world is off by two seconds at most."""


# --- drawn worlds ---


@pytest.mark.parametrize("seed", [1, 4])
def test_whatever_happens_to_the_clock_each_reading_has_its_time(tmp_path, seed):
    world = ClockWorld(tmp_path, parse_iso("2026-10-24T10:00:00Z"), seed, poll_ms=120_000)
    for _ in range(12):
        world.happen()
    world.finish()
    verdict = judge(world, NEAR_MS)
    assert (verdict.wrong, verdict.lost) == ([], [])
    assert verdict.stored + verdict.aside + verdict.cut == verdict.served
    assert len(world.set_aside()) >= 2 * verdict.aside  # two readings a poll
    # what ends a daemon costs a commit interval, a poll or two here
    assert verdict.cut <= 2 * sum(world.counts.events.get(kind, 0) for kind in ("kill", "cut", "blink"))


@pytest.mark.parametrize("seed", [1, 4])
def test_an_alarm_is_raised_once_for_each_time_that_it_is_true(tmp_path, seed):
    world = ClockWorld(tmp_path, parse_iso("2026-03-28T10:00:00Z"), seed)
    for by_ms in (-HOUR, 3652 * DAY):
        world.pass_time(20 * MINUTE)
        world.dip(40 * MINUTE)
        world.pass_time(5 * MINUTE)  # the delay of ten minutes runs
        world.step(by_ms)
        world.pass_time(2 * MINUTE)
        world.network()
        world.pass_time(50 * MINUTE)
        world.network(False)
    assert [dip.raised for dip in world.dips] == [1, 1]
    assert world.stray_alarms == []


# --- single stories ---


@pytest.fixture
def world(tmp_path):
    return ClockWorld(tmp_path, parse_iso("2026-06-21T10:00:00Z"))


def test_held_readings_survive_a_kill_and_a_short_cut(world):
    world.network()
    world.pass_time(10 * MINUTE)
    world.cut_power(30_000)
    world.pass_time(30 * MINUTE)
    world.kill()
    world.start()
    world.pass_time(10 * MINUTE)
    world.cut_power(30_000)
    world.pass_time(10 * MINUTE)
    assert world.stored()[-1].time_ms <= parse_iso("2026-06-21T10:10:00Z")
    world.finish()
    verdict = judge(world, NEAR_MS)
    assert (verdict.wrong, verdict.lost, verdict.aside) == ([], [], 0)
    assert "so they are stamped that well" in " ".join(world.events())


def test_what_cannot_be_stamped_is_set_aside_and_told(world):
    world.network()
    world.pass_time(10 * MINUTE)
    world.cut_power(5 * HOUR)
    world.pass_time(30 * MINUTE)
    world.save()
    world.cut_power(5 * HOUR)
    world.finish()
    verdict = judge(world, NEAR_MS)
    assert (verdict.wrong, verdict.lost) == ([], [])
    assert verdict.aside == 60  # half an hour, a poll each 30 s
    assert {each.quantity for each in world.set_aside()} == {"battery_voltage_V", "charge_current_A"}
    assert "120 readings were taken before" in " ".join(world.events())
    dark = [text for text in world.events("alarm") if text.startswith("Raised. Monitor was dark")]
    # nobody knew how long it was before the network came; then the store has nothing of ten hours and a half
    assert [text.partition(" before")[0].rpartition("for ")[2] for text in dark] == ["10.5 h"]
    with open_reader(world.store_file) as reader:
        assert reader.note(UNTOLD_NOTE) == "120"


def test_readings_of_a_time_that_has_not_come_do_not_stay_the_newest(world):
    """A wrong phone, a power cut before the right one, a network after it."""
    world.phone(400 * DAY)
    world.pass_time(30 * MINUTE)
    world.cut_power(5 * HOUR)
    before_ms = world.board.true_ms
    world.finish()
    newest_ms = max(reading.time_ms for reading in world.stored())
    assert before_ms <= newest_ms <= world.board.true_ms
    # two readings a poll; the last poll or two before the cut were not committed
    assert 2 * 58 <= len(world.set_aside()) <= 2 * 60
    assert "were stamped by a clock that was ahead" in " ".join(world.events())


def of_others(world, ahead_ms):
    """A world's store begun anew with an hour of readings, all of 12.5 V, that no daemon with a clock of its
    own has stamped: imported ones, or those of a version that noted none."""
    world.board.true_ms += 5 * HOUR
    world.kill()
    for file in world.folder.glob("nightbank.db*"):
        file.unlink()
    at_ms = range(world.board.true_ms + ahead_ms - HOUR, world.board.true_ms + ahead_ms, MINUTE)
    with closing(open_writer(world.store_file, "Europe/London")) as store:
        store.append([Reading(each, "charger", "battery_voltage_V", 12.5) for each in at_ms])
        store.commit()
    world.served.clear()


@pytest.mark.parametrize("tells", ["at the start", "later"])
def test_what_was_imported_before_the_first_start_stays_though_the_computer_was_on(world, tells):
    of_others(world, 0)
    if tells == "at the start":
        world.network()
    world.start()
    world.pass_time(5 * MINUTE)
    world.finish()
    assert sum(reading.value == 12.5 for reading in world.stored()) == 60
    assert world.set_aside() == []


def test_what_was_imported_of_a_time_to_come_is_set_aside_all_the_same(world):
    of_others(world, 24 * HOUR)
    world.network()
    world.start()
    world.finish()
    assert not any(reading.value == 12.5 for reading in world.stored())
    assert len(world.set_aside()) == 60


@pytest.mark.parametrize("is_same", [False, True])
def test_a_store_that_was_copied_by_hand_keeps_what_another_computer_has_read(tmp_path, is_same):
    """This one was on all the time; of its own earlier boot such readings would be of a wrong clock."""
    begin_ms = parse_iso("2026-06-21T10:00:00Z")
    first, here = (
        _computer(tmp_path / name, digit, at_ms)
        for name, digit, at_ms in (
            ("first", "a", begin_ms),
            ("here", "a" if is_same else "b", begin_ms - HOUR),
        )
    )
    first.network()
    first.pass_time(2 * HOUR)
    first.save()
    first.kill()
    here.kill()
    shutil.copy(first.store_file, here.store_file)
    here.board.true_ms = first.board.true_ms + HOUR
    here.board.boots = 7  # no boot of the first one
    here.network()
    here.start()
    here.finish()
    kept = {(each.time_ms, each.value) for each in here.stored()}
    read = {(each.time_ms, each.value) for each in first.stored()}
    assert len(read) == 240  # two hours, a poll each 30 s
    assert (read & kept == set()) if is_same else read <= kept
    assert len(here.set_aside()) == (2 * len(read) if is_same else 0)


def _computer(folder, digit, at_ms):
    """A world on a computer with an id of its own."""
    (folder / "root/etc").mkdir(parents=True)
    (folder / "root/etc/machine-id").write_text(f"{digit * 32}\n")
    return ClockWorld(folder, at_ms)


def test_a_kill_before_the_store_lets_go_of_them_sets_no_reading_aside_twice(world, monkeypatch):
    world.phone(400 * DAY)
    world.pass_time(30 * MINUTE)
    world.cut_power(5 * HOUR)
    world.network()
    with monkeypatch.context() as ends:
        ends.setattr(EmbeddedWriter, "replace", lambda *_: broken())
        with pytest.raises(Broken):
            world.pass_time(5 * MINUTE)
    assert len(world.set_aside()) >= 2 * 58
    world.kill()
    world.start()
    world.finish()
    aside = world.set_aside()
    assert 2 * 58 <= len(aside) == len(set(aside)) <= 2 * 60
    assert max(reading.time_ms for reading in world.stored()) <= world.board.true_ms


def test_a_phone_that_puts_stored_readings_into_the_future_is_asked_twice(world):
    world.network()
    world.pass_time(10 * MINUTE)
    world.cut_power(30_000)
    number = world.phone(-40 * DAY)
    world.pass_time(MINUTE)
    with open_reader(world.store_file) as reader:
        assert "That time is not taken" in reader.request(number).outcome
    assert not world.clock.is_known
    world.phone()
    world.pass_time(MINUTE)
    assert world.clock.is_known


def test_a_clock_that_is_ahead_goes_slower_and_no_stamp_comes_twice(tmp_path):
    world = ClockWorld(tmp_path, parse_iso("2026-06-21T10:00:00Z"), poll_ms=120_000)
    world.phone(10 * MINUTE)
    world.pass_time(20 * MINUTE)
    world.network()
    world.pass_time(18 * HOUR)
    stamps = [reading.time_ms for reading in world.stored()]
    assert stamps == sorted(set(stamps))
    assert len(stamps) >= len(world.served) - 2
    assert abs(world.clock.now_ms() - world.board.true_ms) <= 1
    gaps_s = {round((b - a) / 1000, 1) for a, b in pairwise(stamps)}
    assert gaps_s == {118.8, 120.0}  # by hand: one part in a hundred slower, then right


@pytest.mark.parametrize("steps", [0, 1, 2, 3])
def test_a_mend_that_breaks_off_is_finished_by_the_next_start(world, monkeypatch, steps):
    """A phone was an hour ahead, the right one comes, and the daemon ends while it stamps readings anew."""
    world.phone(HOUR)
    world.pass_time(30 * MINUTE)
    world.phone()
    world.pass_time(30_000)  # the word is heard, the work begins
    for _ in range(steps):
        world.keeper.follow()
    assert world.pipeline.waits
    if steps:  # the first step sets aside, the others move a device each
        monkeypatch.setattr(world.keeper, "_alive", broken)
        with pytest.raises(Broken):
            world.keeper.follow()
    world.kill()
    world.start()
    world.pass_time(5 * MINUTE)
    world.finish()
    verdict = judge(world, NEAR_MS)
    assert (verdict.wrong, verdict.lost, verdict.aside) == ([], [], 0)
    with open_reader(world.store_file) as reader:
        newest = {each.device: each.time_ms for each in reader.latest()}
        kept = {name: list(reader.readings(0, 2**42, {name})) for name in newest}
    assert max(newest.values()) <= world.board.true_ms
    polls = len({each.time_ms for each in kept["charger"]})
    # net current and charge follow from each poll, and went the same way
    assert len({each.time_ms for each in kept["derived"]}) == polls
    assert len({each.time_ms for each in kept["estimate"]}) == polls


@pytest.mark.parametrize("is_cut", [False, True])
def test_a_start_without_the_stores_server_polls_on_and_mends_once_it_is_back(world, monkeypatch, is_cut):
    """A phone was an hour ahead, the right one comes, and with the daemon's end the server goes away."""
    world.phone(HOUR)
    world.pass_time(30 * MINUTE)
    world.phone()
    world.pass_time(30_000)
    assert world.pipeline.waits
    world.save()
    world.kill()
    with monkeypatch.context() as away:
        for question in ("readings", "replace"):
            away.setattr(EmbeddedWriter, question, unanswered)
        if is_cut:
            world.switch_on(world.board.true_ms, is_synchronised=True)
        else:
            world.start()
        for _ in range(10):
            world.board.true_ms += world.poll_ms
            world.poll()
            with suppress(ServerError):
                world.round()
        world.save()
    world.finish()
    verdict = judge(world, NEAR_MS)
    assert (verdict.wrong, verdict.lost, verdict.aside) == ([], [], 0)
    assert max(each.time_ms for each in world.stored()) <= world.board.true_ms


def unanswered(*_):
    raise ServerError("the store's server does not answer", Trouble.UNREACHABLE)


class Broken(BaseException):
    """What ends a process in the midst of its work."""


def broken():
    raise Broken


def shown_age_s(world):
    """How old what page and command line show of the voltage is, by the true time."""
    with open_reader(world.store_file) as reader:
        (shown,) = [
            each
            for each in latest_of(reader)
            if (each.device, each.quantity) == ("charger", "battery_voltage_V")
        ]
    return (world.board.true_ms - shown.time_ms) / 1000


def test_what_waited_in_a_boot_that_never_knew_the_time_is_not_shown_for_ever(world):
    world.network()
    world.pass_time(10 * MINUTE)
    world.cut_power(5 * HOUR)
    world.pass_time(10 * MINUTE)
    world.kill()
    world.board.true_ms += 5 * HOUR
    world.switch_on(world.board.true_ms, is_synchronised=True)  # the network is there before the daemon
    world.pass_time(5 * MINUTE)
    assert shown_age_s(world) <= 120


def test_a_kill_behind_the_landing_leaves_nothing_shown_that_waited(world):
    world.pass_time(10 * MINUTE)
    world.network()
    while world.pipeline.holds or not world.clock.is_known:
        world.keeper.follow()
    world.kill()
    world.start()
    world.pass_time(10 * MINUTE)
    assert shown_age_s(world) <= 120


def test_a_card_that_is_full_while_readings_land_loses_and_doubles_none(world):
    world.pass_time(HOUR)
    world.network()
    (pages,) = world.store._connection.execute("PRAGMA page_count").fetchone()
    for limit in (pages, 1_000_000):
        world.store._connection.execute(f"PRAGMA max_page_count = {limit}")
        for _ in range(30):
            world.board.true_ms += world.poll_ms
            world.poll()
            with suppress(StoreError):
                world.round()
        assert len(world.store._pending) <= 12 * 3 * HOUR // world.poll_ms, "nothing waits twice"
    world.finish()
    verdict = judge(world, NEAR_MS)
    assert (verdict.wrong, verdict.lost, verdict.aside) == ([], [], 0)
    assert world.events("store") == []
    assert shown_age_s(world) <= 120


@pytest.mark.parametrize("offset_ms", [float("nan"), float("inf"), -1e300, None, "noon"])
def test_a_request_that_tells_no_time_is_answered_and_ends_nothing(world, offset_ms):
    told = {"offset_ms": offset_ms, "boot": world.board.boot, "sure": 1.0}
    number = leave_request(world.store_file, Request(0, TIME_REQUEST, "", told))
    world.pass_time(2 * MINUTE)
    with open_reader(world.store_file) as reader:
        assert "not taken" in reader.request(number).outcome
    assert not world.clock.is_known


def test_the_note_for_readers_follows_what_the_network_confirms(tmp_path):
    world = ClockWorld(tmp_path, parse_iso("2026-06-21T10:00:00Z"), poll_ms=300_000)
    world.network()
    world.pass_time(10 * HOUR)
    with open_reader(world.store_file) as reader:
        followed = world.reader_clock(reader.note(CLOCK_NOTE))
    # the word of ten hours before would be unsure by 3.6 s more
    assert followed.error_s <= 1.0 + 0.4
    assert [event for event in world.events("clock") if "network" in event] == world.events("clock")[:1]


# --- days that are no 24 hours ---


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        # the EU's rule: last Sunday of March and October, 1:00 UTC (directive 2000/84/EC)
        ("Europe/London", date(2026, 3, 29), 23),
        ("Europe/London", date(2026, 10, 25), 25),
        ("Europe/London", date(2028, 2, 29), 24),
    ],
)
def test_the_days_add_up_where_the_clock_steps_on_them(tmp_path, zone, day, hours):
    start_ms = parse_iso(f"{day}T00:00:00Z") - 3 * HOUR
    world = ClockWorld(tmp_path, start_ms, zone=zone, poll_ms=300_000)
    world.pass_time(4 * HOUR)
    world.network()
    world.pass_time(2 * HOUR)
    for by_ms in (-HOUR, HOUR, 3652 * DAY):
        world.step(by_ms)
        world.pass_time(2 * HOUR)
    world.kill()
    world.start()
    world.pass_time(20 * HOUR)
    world.finish()
    assert judge(world, NEAR_MS).lost == []
    with open_reader(world.store_file) as reader:
        (stat,) = [each for each in reader.days(day, day) if each.quantity == "charge_current_A"]
    assert stat.covered_s == hours * 3600
    assert stat.integral_h == pytest.approx(2.0 * hours)  # 2 A all day
    assert stat.count == hours * 12


# --- the real daemon, on a line ---

TRUE_BEGIN_MS = parse_iso("2026-10-25T00:59:56Z")
"""Four seconds before the end of summer time in Europe/London."""


class Heard(bytearray):
    """Requests, and when each poll of them began by the kernel's count: within it they follow each other."""

    def __init__(self):
        super().__init__()
        self.polls_ms, self._newest_ms = [], 0

    def __iadd__(self, data):
        now_ms = Kernel().count_ms()
        if now_ms - self._newest_ms > 400:
            self.polls_ms.append(now_ms)
        self._newest_ms = now_ms
        return super().__iadd__(data)


class Cabinet:
    """A daemon at a charger's line, tapped, on a computer whose clocks the test moves."""

    def __init__(self, folder, simulator, site_text):
        self.folder = folder
        self.tap = WireTap(simulator.devices["charger"]["serial"], folder / "tapped")
        self.tap.asked = Heard()
        text = site_text(simulator, every_s=1).replace(
            simulator.devices["charger"]["serial"], str(self.tap.path)
        )
        text = text.replace("commit_every_s = 5", "commit_every_s = 1")
        head, _, charger = text.split("[[devices]]")
        (folder / "site.toml").write_text(f"{head}[[devices]]{charger}")
        self.true_offset_ms = TRUE_BEGIN_MS - Kernel().count_ms()
        self.switch_on()
        self.process = None
        self.ended_ms = {signal.SIGTERM: [], signal.SIGKILL: []}  # by the kernel's count

    def switch_on(self):
        self.on_ms = Kernel().count_ms()

    def clocks(self, *, off_ms=0, is_set=False):
        offset_ms = self.true_offset_ms + off_ms
        set_clocks(self.folder, on_ms=self.on_ms, offset_ms=offset_ms, is_set=is_set)

    def start(self):
        command = [
            sys.executable,
            "-m",
            "tests.faults.clock_child",
            str(self.folder / "site.toml"),
            str(self.folder),
        ]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(command, stderr=log)

    def end(self, number=signal.SIGTERM):
        self.ended_ms[number].append(Kernel().count_ms())
        self.process.send_signal(number)
        self.process.wait(60)

    def polls(self, more):
        """Wait until so many more polls were asked for."""
        wanted = len(self.tap.asked.polls_ms) + more
        wait_for(lambda: len(self.tap.asked.polls_ms) >= wanted, (self.folder / "log").read_text)

    def lands(self):
        """Wait until what was held is stored under true times, and what has been read just now as well."""
        now_ms = Kernel().count_ms() + self.true_offset_ms
        wait_for(lambda: max(self.stored(), default=0) >= now_ms, (self.folder / "log").read_text)

    def stored(self):
        with open_reader(self.folder / "nightbank.db") as reader:
            found = reader.readings(0, 2**42, {"charger"})
            return [each.time_ms for each in found if each.quantity == "battery_voltage_V"]


LOST_BEFORE_MS = {signal.SIGKILL: 3500, signal.SIGTERM: 1500}
"""So long before an end a poll may be lost: a kill costs a commit interval of a second and what comes of it
within a second's poll, an end the poll that is on the line; the rest is a busy machine's."""


@pytest.mark.timed
def test_the_real_daemon_boots_in_1970_and_in_the_future_and_its_clock_is_set(tmp_path, site_text):
    with SimulatorProcess(tmp_path / "ports", TRUE_BEGIN_MS) as simulator:
        simulator.ask(do="run", speed=1.0)
        cabinet = Cabinet(tmp_path, simulator, site_text)
        cabinet.clocks(off_ms=-TRUE_BEGIN_MS)  # 1970
        cabinet.start()
        cabinet.polls(3)
        cabinet.clocks(is_set=True)
        cabinet.lands()
        for step_ms in (-HOUR, 3652 * DAY):
            cabinet.clocks(off_ms=step_ms)
            cabinet.polls(2)
        cabinet.end(signal.SIGKILL)
        cabinet.start()
        cabinet.polls(3)
        cabinet.end()
        cabinet.switch_on()
        cabinet.clocks(off_ms=3652 * DAY)
        cabinet.start()
        cabinet.polls(3)
        cabinet.clocks(is_set=True)
        cabinet.lands()
        cabinet.end()
        cabinet.tap.close()
    asked = [at_ms + cabinet.true_offset_ms for at_ms in cabinet.tap.asked.polls_ms]
    stored = cabinet.stored()
    assert stored == sorted(set(stored))
    left = list(asked)
    for stamp_ms in stored:
        # a reading is stamped when its answer is there: behind its request, before the next one
        mine = [at_ms for at_ms in left if at_ms <= stamp_ms]
        assert mine, f"nobody asked for what is stamped {stamp_ms}"
        assert stamp_ms - mine[-1] < 1000
        left = [at_ms for at_ms in left if at_ms > mine[-1]]
    lost = [at_ms for at_ms in asked if not any(0 <= stamp_ms - at_ms < 1000 for stamp_ms in stored)]
    ends = [
        (end_ms + cabinet.true_offset_ms, LOST_BEFORE_MS[number])
        for number, moments in cabinet.ended_ms.items()
        for end_ms in moments
    ]
    for at_ms in lost:
        assert any(0 <= end_ms - at_ms < before_ms for end_ms, before_ms in ends), (at_ms, ends, lost)
