"""The computer's own supply: the halt before it ends, the dark time after, the pace at night and when low."""

import queue
from dataclasses import replace
from datetime import UTC, date

import pytest

from dashboard.dark_times import take_dark_times
from dashboard.days import Span
from dashboard.markup import html_text
from dashboard.pages.days import layout as days_layout
from monitor.alarms.shipped import SUPPLY_ENDS
from monitor.alarms.watch import AlarmWatch
from monitor.bank.description import describe_site
from monitor.bank.estimator import BankEstimator
from monitor.bank.sample import BankSample
from monitor.clock import PacedClock, SteppedClock, SystemClock
from monitor.clock.course import Course
from monitor.clock.steady import Change
from monitor.errors import SiteError
from monitor.now_words import in_words
from monitor.pipeline import Pipeline
from monitor.poll import Poller, PollResult
from monitor.power.dark_note import DARK, DARK_NOTE, DARK_YET, dark_of
from monitor.power.darkness import RUN_NOTE, Darkness, Run, write_run
from monitor.power.halting import REQUEST, Halting
from monitor.power.keeper import PowerKeeper
from monitor.power.pace import least_period_s
from monitor.present import present
from monitor.records import Condition, DeviceHealth, Event, Heartbeat, Quality, Reading, Request, parse_iso
from monitor.sampling import PresentView
from monitor.site.check import contradictions
from monitor.site.computer_table import ComputerEntry
from monitor.site.load import load_site, with_defaults
from monitor.store.bundle import HELD_NOTE, rows_of
from monitor.store.embedded import leave_request, open_reader, open_writer
from monitor.store.heartbeat import write_heartbeat
from tests.banks.library import circuit
from tests.bench.supply_ends import campaign
from tests.unit.site_files import changed, write

T0 = parse_iso("2026-11-24T21:40:00Z")
MINUTE, HOUR = 60_000, 3_600_000
HALT = "[computer]\nhalt = true\n"


class SetClock(SteppedClock):
    """A clock whose elapsed time is its own, so that a test has its minutes at once; the time may jump."""

    jumped_ms = 0

    def elapsed_s(self):
        return (self.now_ms() - self.jumped_ms) / 1000

    def jump(self, ms):
        self.jumped_ms += ms
        self.set(self.now_ms() + ms)


def site_of(folder, *edits, more=""):
    return with_defaults(load_site(write(folder, changed(*edits, more=more))))[0]


# --- the site file ---


@pytest.mark.parametrize(
    ("more", "without", "severity", "words"),
    [
        (HALT, ("controller",), "error", "give [computer] supply_ends_V"),
        ("[computer]\nnight_every_s = 30\n", ("array",), "warning", "needs [array]"),
        ("[computer]\nsupply_ends_V = 12.4\n", (), "warning", "2.07 V per cell"),
    ],
)
def test_what_contradicts_itself_is_told_with_its_line(tmp_path, more, without, severity, words):
    text = changed(without=without, more=more)
    site, _ = with_defaults(load_site(write(tmp_path, text)))
    (found,) = [each for each in contradictions(site) if each.key.startswith("computer.")]
    assert found.severity == severity
    assert words in found.text


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("night_every_s = 300", "computer.night_every_s"),
        ("low_every_s = 30000", "milliseconds"),
        ("supply_ends_V = 11400", "mV"),
        ('halt = ["poweroff"]', "computer.halt"),
    ],
)
def test_a_wrong_value_is_refused_with_key_and_advice(tmp_path, row, words):
    file = write(tmp_path, changed(more=f"[computer]\n{row}\n"))
    with pytest.raises(SiteError) as refused:
        load_site(file)
    assert words in str(refused.value)


# --- the end of the supply ---


def test_the_alarm_comes_before_the_disconnect_of_banks_with_other_physics():
    # tests/banks: third-order circuit (Ceraolo), kinetic wells, Shepherd, LiFePO4; meters of three kinds
    tally = campaign(range(300, 306))
    assert len(tally.leads) >= 3, "most of these evenings end in a disconnect"
    assert tally.missed == []
    assert min(tally.leads) >= 1  # the halt's own minute
    assert tally.one_too_many <= tally.evenings // 10


class Daemon:
    """The pipeline and its power keeper on a real store, a poll of a bank every five seconds."""

    def __init__(self, folder, more=HALT, at_ms=T0):
        self.site = site_of(folder, more=more)
        self.clock = SetClock(at_ms)
        self.store = open_writer(folder / "nightbank.db", "Europe/London")
        self.pipeline = Pipeline(self.site, self.store, self.clock)
        self.folder = folder / "run"
        self.folder.mkdir(exist_ok=True)
        self.power = PowerKeeper(
            self.site, self.store, self.clock, self.pipeline.alarms, self.pipeline.tell, self.folder, "a boot"
        )

    def live(self, minutes, volts_at):
        """So many minutes; volts_at gives the bank's voltage by the minute."""
        start_ms = self.clock.now_ms()
        health = DeviceHealth("charger", "/dev/x", "answering", start_ms, start_ms, 80.0, 1, {}, "")
        for at_ms in range(start_ms, start_ms + round(minutes * MINUTE), 5000):
            self.clock.set(at_ms)
            reading = Reading(at_ms, "charger", "battery_voltage_V", volts_at((at_ms - start_ms) / MINUTE))
            self.pipeline.take(PollResult("charger", (reading,), health, None))
            self.pipeline.follow()
            self.power.follow()

    def silent(self, minutes):
        """So many minutes in which no device answers."""
        for _ in range(round(minutes * 60)):
            self.clock.set(self.clock.now_ms() + 1000)
            self.pipeline.follow()
            self.power.follow()

    @property
    def wish(self):
        return self.folder / REQUEST

    def told(self, kind):
        return [each.text for each in reversed(self.store.events(0, 2 * T0)) if each.kind == kind]


@pytest.fixture
def daemon(tmp_path):
    made = []

    def make(**how):
        made.append(Daemon(tmp_path, **how))
        return made[-1]

    yield make
    for each in made:
        each.store.close()


def test_a_bank_that_falls_to_the_disconnect_ends_in_a_wish_to_be_halted(daemon):
    made = daemon()
    made.live(20, lambda minute: 11.7 - 0.015 * minute)  # 11.4 V is reached after 20 minutes
    assert any(
        SUPPLY_ENDS in text and "this computer loses its supply" in text for text in made.told("alarm")
    )
    assert made.wish.exists()
    assert made.told("halt") == [
        "The computer is asked to halt before its supply ends. It starts when the supply comes back."
    ]
    assert made.power.commit_every_s(60.0) == 10.0
    assert made.power.stop_text == "The monitor was stopped: the computer halts."


def test_without_halt_in_the_site_file_nothing_is_asked(daemon):
    made = daemon(more="[computer]\nsupply_ends_V = 11.4\n")
    made.live(20, lambda minute: 11.7 - 0.015 * minute)
    assert any(SUPPLY_ENDS in text for text in made.told("alarm"))
    assert not made.wish.exists()


def test_a_pump_that_pulls_the_bank_down_for_half_a_minute_halts_nothing(daemon):
    made = daemon()
    made.live(60, lambda minute: 11.0 if minute % 5 < 0.4 else 11.9)
    assert made.told("alarm") == []
    assert not made.wish.exists()


def test_a_clock_that_is_set_on_the_way_down_delays_no_wish(daemon):
    made, step_ms = daemon(), 9 * HOUR + 17_000
    made.live(13, lambda minute: 11.7 - 0.015 * minute)
    before = Course("a boot", T0 - HOUR)
    made.clock.jump(step_ms)
    made.pipeline.moved(Change(before, replace(before, offset_ms=before.offset_ms + step_ms), 0))
    made.live(6, lambda minute: 11.7 - 0.015 * (13 + minute))
    assert made.wish.exists(), "the end, 11.4 V, is a minute away"


def test_a_load_switched_off_in_time_takes_the_wish_back(daemon):
    made = daemon()
    made.live(20, lambda minute: 11.7 - 0.015 * minute)
    made.live(15, lambda minute: 12.0)
    assert not made.wish.exists()
    assert made.told("halt")[-1].startswith("The bank has recovered")


def test_a_shelving_that_ends_over_a_bank_that_is_not_read_halts_nothing(daemon):
    """What was low an hour ago is unknown now; the computer would stay off for it."""
    made = daemon()
    leave_request(made.folder.parent / "nightbank.db", Request(T0, "shelve", SUPPLY_ENDS, {"for_s": 3600.0}))
    made.live(18, lambda minute: 11.7 - 0.015 * minute)
    made.silent(60)
    assert made.pipeline.alarms.states[SUPPLY_ENDS].state == Condition.UNACKNOWLEDGED
    assert not made.wish.exists()
    made.live(10, lambda minute: 11.44 - 0.015 * minute)
    assert made.wish.exists()
    made.silent(30)
    assert made.wish.exists()
    assert len(made.told("halt")) == 1, "a bank that is not read has not recovered"


def test_a_computer_that_comes_up_on_a_low_bank_is_not_halted_for_the_alarm_of_before(daemon):
    """The supply came back while the alarm still stands in the store: a halt would be its end for good."""
    made = daemon()
    made.live(20, lambda minute: 11.7 - 0.015 * minute)
    made.pipeline.save()
    made.store.close()
    again = daemon(at_ms=T0 + 9 * HOUR)
    assert not again.wish.exists()
    again.live(20, lambda minute: 12.7)
    assert not again.wish.exists()
    assert again.told("halt")[-1].startswith("The computer is asked")


def test_a_wish_that_nobody_takes_is_said_in_the_log(tmp_path, caplog):
    site, clock, told = site_of(tmp_path, more=HALT), SetClock(T0), []
    halting = Halting(site, clock, lambda *event: told.append(event), tmp_path)
    for second in range(600):
        clock.set(T0 + second * 1000)
        halting.follow(calls=True)
    assert (tmp_path / REQUEST).exists()
    assert caplog.text.count("nightbank-halt@.path") == 1
    assert len(told) == 1


def test_a_folder_that_systemd_has_not_given_is_told_at_the_start(tmp_path, caplog):
    Halting(site_of(tmp_path, more=HALT), SetClock(T0), lambda *event: None, None)
    assert "RUNTIME_DIRECTORY" in caplog.text


# --- the dark time ---


def readings(at_ms, volts, soc, sd):
    return [
        Reading(at_ms, "charger", "battery_voltage_V", volts),
        Reading(at_ms, "estimate", "state_of_charge", soc),
        Reading(at_ms, "estimate", "state_of_charge_sd", sd),
    ]


class Nights:
    """A former run in a store, and the start after it."""

    def __init__(self, folder, *, boot="a", stopped=False, halts=False, knew_time=True):
        self.site = site_of(folder)
        self.path = folder / "nightbank.db"
        self.store = open_writer(self.path, "Europe/London")
        self.store.append(readings(T0, 11.62, 0.31, 0.03))
        write_run(self.store, Run(boot, halts, knew_time))
        write_heartbeat(self.store, Heartbeat(T0, T0 - HOUR, T0 if stopped else None))
        self.store.commit()
        self.told = []

    def start(self, after_ms, boot="b", is_known=lambda: True):
        self.clock = SetClock(T0 + after_ms)
        self.darkness = Darkness(self.site, self.store, self.clock, boot, is_known)

    def follow(self, seconds):
        for _ in range(seconds):
            self.clock.set(self.clock.now_ms() + 1000)
            self.darkness.follow(lambda *event: self.told.append(event))

    def answer(self, volts=12.71, soc=0.46, sd=0.16):
        self.store.append(readings(self.clock.now_ms(), volts, soc, sd))
        self.store.commit()


@pytest.fixture
def nights(tmp_path):
    made = []

    def make(**how):
        made.append(Nights(tmp_path, **how))
        return made[-1]

    yield make
    for each in made:
        each.store.close()


def test_after_the_start_the_dark_time_is_told_with_what_the_bank_did(nights):
    made = nights()
    made.start(9 * HOUR + 12 * MINUTE)
    made.follow(5)
    assert made.told == [], "the devices have not answered yet"
    made.answer()
    made.follow(300)
    assert made.told == [
        (
            "dark",
            "",
            "Nobody watched for 9 h 12 min, from 24 Nov 21:40 to 06:52: the computer had gone off without"
            " being halted. The bank stood before: at 11.62 V with a charge of 31 % (25 to 37 %); after: at"
            " 12.71 V with a charge somewhere between 14 and 78 %.",
        )
    ]
    document = present(made.site, made.store)
    assert dark_of(made.store.note(DARK_NOTE)).to_ms == T0 + 9 * HOUR + 12 * MINUTE
    assert document["dark"] is None, "told for a day, by the clock of whoever asks"


def test_a_dark_time_of_today_stands_in_the_words_of_now(nights):
    made = nights()
    made.start(9 * HOUR)
    made.answer()
    made.follow(2)
    made.store.put_note("clock", PacedClock(SystemClock().now_ms(), T0 + 10 * HOUR, 1.0).note())
    made.store.commit()
    document = present(made.site, made.store)
    assert document["dark"]["from"] == "2026-11-24T21:40:00Z"
    assert document["dark"]["to"] == "2026-11-25T06:40:00Z"
    assert "Nobody watched for 9 h, from 24 Nov 21:40 to 06:40" in in_words(document, UTC)


def test_the_page_of_days_lists_the_dark_times_of_its_days(nights):
    made = nights()
    made.start(9 * HOUR)
    made.answer()
    made.follow(2)
    made.store.put_note("clock", PacedClock(SystemClock().now_ms(), T0 + 10 * HOUR, 1.0).note())
    made.store.add_event(Event(made.clock.now_ms(), *made.told[0]))
    made.store.commit()
    (told,) = take_dark_times(made.store, made.site, Span(date(2026, 11, 19), date(2026, 11, 25)))
    assert told.startswith("06:40: Nobody watched for 9 h, from 24 Nov 21:40 to 06:40: the computer had gone")
    assert take_dark_times(made.store, made.site, Span(date(2026, 11, 18), date(2026, 11, 24))) == []
    shown = html_text(days_layout(lambda: open_reader(made.path), made.site, {}))
    assert "When nobody watched" in shown
    assert "stood before: at 11.62" in shown


@pytest.mark.parametrize(
    ("former", "boot", "why"),
    [
        ({"stopped": True}, "a", "the monitor had been stopped"),
        ({"stopped": True, "halts": True}, "b", "the computer had been halted before its supply ended"),
        ({}, "a", "the monitor had broken off while the computer went on"),
        ({}, "b", "the computer had gone off without being halted"),
        ({}, "", "the monitor had ended without being stopped"),
        ({"boot": ""}, "b", "the monitor had ended without being stopped"),
    ],
)
def test_why_it_was_dark_is_told_as_far_as_it_is_known(nights, former, boot, why):
    made = nights(**former)
    made.start(HOUR, boot)
    made.answer()
    made.follow(2)
    (event,) = made.told
    assert f": {why}. The bank" in event[2]


def test_a_restart_of_a_minute_is_no_dark_time(nights):
    made = nights()
    made.start(MINUTE)
    made.answer()
    made.follow(900)
    assert made.told == []


def test_devices_that_do_not_answer_leave_after_unknown(nights):
    made = nights()
    made.start(HOUR)
    made.follow(400)
    (event,) = made.told
    assert event[2].endswith("with a charge of 31 % (25 to 37 %); after: unknown.")


def test_while_the_time_is_not_known_no_length_is_invented_and_it_is_told_once_it_is(nights):
    made, known = nights(), []
    made.start(3 * MINUTE, is_known=lambda: bool(known))  # the clock of a computer without a chip
    made.answer()
    made.follow(500)
    assert made.told == []
    made.follow(200)
    (event,) = made.told
    assert "how long is not known as the time is not known yet: the" in event[2]
    assert dark_of(made.store.note(DARK_NOTE)).to_ms is None
    known.append(True)
    made.clock.jump(9 * HOUR)
    made.follow(60)
    assert [event[2].partition(":")[0] for event in made.told[1:]] == [
        "Nobody watched for 9 h 3 min, from 24 Nov 21"
    ]


def test_a_former_run_that_never_knew_the_time_leaves_the_length_unknown_for_good(nights):
    made = nights(knew_time=False)
    made.start(9 * HOUR)
    made.answer()
    made.follow(2000)
    (event,) = made.told
    assert (
        "since 24 Nov 21:40 at the earliest, how long is not known as the time was not known before: the"
        in event[2]
    )


def test_a_restart_beside_the_clocks_being_set_is_no_dark_time(nights):
    """The network's first word came while an update replaced the monitor: one boot, and 9 hours' step."""
    made = nights(knew_time=False)
    made.start(MINUTE, boot="a")
    made.clock.jump(9 * HOUR)
    made.darkness.moved(T0 - HOUR, 9 * HOUR)
    made.answer()
    made.follow(900)
    assert made.told == []


def test_a_dark_time_within_a_boot_that_does_not_know_the_time_has_a_length_but_no_hours(nights):
    made, known = nights(knew_time=False), []
    made.start(20 * MINUTE, boot="a", is_known=lambda: bool(known))
    waiting = [Reading(T0 + 20 * MINUTE, "charger", "battery_voltage_V", 12.71)]
    made.store.put_note(HELD_NOTE, rows_of(waiting))  # readings wait, and are known all the same
    made.follow(700)
    (event,) = made.told
    assert event[2].startswith("Nobody watched for 20 min, when is not known as the time is not known yet:")
    assert event[2].endswith("after: at 12.71 V.")
    assert dark_of(made.store.note(DARK_NOTE)).to_ms is None
    known.append(True)
    made.clock.jump(9 * HOUR)
    made.darkness.moved(T0 - HOUR, 9 * HOUR)
    made.follow(60)
    # 21:40 and nine hours: the former run's last commit was stamped by the same clock
    assert [each[2].partition(": ")[0] for each in made.told[1:]] == [
        "Nobody watched for 20 min, from 06:40 to 07:00"
    ]


def test_the_page_of_days_tells_a_dark_time_once(nights):
    """Told before the time was known, and again after it; where that never came, the first telling stands."""
    made = nights()
    for at_ms, kind, text in (
        (0, "start", ""),
        (HOUR, DARK_YET, "untimed, and again later"),
        (50 * HOUR, DARK, "timed"),
        (51 * HOUR, "start", ""),
        (52 * HOUR, DARK_YET, "untimed, and never again"),
        (60 * HOUR, "start", ""),
        (61 * HOUR, DARK, "the next one"),
    ):
        made.store.add_event(Event(T0 + at_ms, kind, "", text))
    made.store.put_note("clock", PacedClock(SystemClock().now_ms(), T0 + 70 * HOUR, 1.0).note())
    made.store.commit()

    def told(first, last):
        texts = take_dark_times(made.store, made.site, Span(date(2026, 11, first), date(2026, 11, last)))
        return [text.rpartition(": ")[2] for text in texts]

    assert told(23, 30) == ["the next one", "untimed, and never again", "timed"]
    assert told(24, 24) == [], "the other telling is of a later day"


def test_a_day_that_may_not_be_today_is_named(nights):
    made = nights()
    made.start(3 * MINUTE, is_known=lambda: False)
    made.answer()
    made.follow(700)
    (event,) = made.told
    assert event[2].startswith("Nobody has watched since 24 Nov 21:40, how long is not known")


def test_a_store_that_was_brought_here_says_so_and_blames_no_computer(nights):
    made = nights()
    write_run(made.store, Run("a", computer="there"))
    made.clock = SetClock(T0 + HOUR)
    made.darkness = Darkness(made.site, made.store, made.clock, "b", lambda: True, "here")
    made.answer()
    made.follow(2)
    (event,) = made.told
    assert ": the monitor had run on another computer, from which its store was brought here. The" in event[2]


@pytest.mark.parametrize("note", ["{", "[1]", "null", '{"boot": 7}'])
def test_a_spoilt_note_of_the_former_run_hinders_no_start(nights, note):
    made = nights()
    made.store.put_note(RUN_NOTE, note)
    made.start(HOUR)
    made.answer()
    made.follow(2)
    assert len(made.told) == 1


def test_the_first_start_ever_has_no_dark_time(tmp_path):
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        darkness = Darkness(site_of(tmp_path), store, SetClock(T0), "a", lambda: True)
        assert darkness.former is None
        assert darkness.follow(lambda *event: None) is False


# --- the pace ---


@pytest.mark.parametrize(
    ("night", "low", "watched", "period_s"),
    [
        (False, False, False, 0.0),
        (True, False, False, 30.0),
        (None, False, False, 0.0),
        (False, True, False, 60.0),
        (True, True, False, 60.0),
        (True, True, True, 0.0),
    ],
)
def test_the_longer_period_of_night_and_low_bank_holds_and_nobody_waits_who_looks(
    night, low, watched, period_s
):
    entry = ComputerEntry(night_every_s=30.0, low_every_s=60.0)
    assert least_period_s(entry, night=night, low=low, watched=watched) == period_s


def test_without_manners_in_the_site_file_nothing_is_ever_slowed(daemon):
    made = daemon(more="")
    made.live(20, lambda minute: 11.2)  # low, and night in November
    assert made.power.least_period_s(watched=False) == 0.0


def test_a_low_bank_slows_the_polls_and_a_look_brings_them_back(daemon):
    made = daemon(more="[computer]\nlow_every_s = 60\n")
    made.live(10, lambda minute: 12.4)
    assert made.power.least_period_s(watched=False) == 0.0
    made.live(10, lambda minute: 11.5)  # below the rule's 11.7 V for longer than its two minutes
    assert made.power.least_period_s(watched=False) == 60.0
    assert made.power.least_period_s(watched=True) == 0.0


def test_values_stay_fresh_as_long_as_the_slow_pace_needs(tmp_path):
    site = site_of(tmp_path, more="[computer]\nnight_every_s = 60\n")
    view = PresentView(site)
    view.take([Reading(T0, "charger", "battery_voltage_V", 12.5)])
    assert view.best("battery_voltage_V", T0 + 2 * MINUTE) is not None
    assert view.best("battery_voltage_V", T0 + 4 * MINUTE) is None


class Slow:
    """A device that answers at once; it counts when it was asked."""

    name, every_s, quantities = "shunt", 0.2, ("battery_voltage_V",)

    def __init__(self, clock):
        from monitor.devices.health import HealthRecord

        self.clock, self.health = clock, HealthRecord("shunt", "nowhere", clock.now_ms())
        self.asked_s = []

    def poll(self, again=False):
        self.asked_s.append(self.clock.elapsed_s())
        return [Reading(self.clock.now_ms(), "shunt", "battery_voltage_V", 12.5, Quality.GOOD)]

    def close(self):
        pass


def test_a_slowed_line_polls_in_the_longer_period_and_takes_up_its_own_again():
    from monitor.devices.device import Line

    clock = SystemClock()
    device = Slow(clock)
    results = queue.SimpleQueue()
    poller = Poller([Line("nowhere", None, (device,))], clock, results)
    poller.slow_to(1.0)
    poller.start()
    for _ in range(3):
        results.get(timeout=20)
    poller.slow_to(0.0)
    for _ in range(4):
        results.get(timeout=20)
    poller.stop()
    gaps = [b - a for a, b in zip(device.asked_s, device.asked_s[1:], strict=False)]
    assert min(gaps[:2]) > 0.9  # a second by the grid of the monotonic clock, however busy the computer is
    assert min(gaps[3:]) < 0.9


# --- what works on at a slower pace ---


def night_of_lamps():
    """Fourteen hours of a third-order bank (tests/banks, Ceraolo) under lamps, a sample each five seconds."""
    bank = circuit("a night of lamps", 450.0, 6, 0.8, 8.0)()
    found = []
    for at in range(0, 14 * 3600, 5):
        amps = -9.0 if at < 5 * 3600 else -1.5
        bank.step(amps, 5 / 3600, 8.0)
        sample = BankSample(T0 + at * 1000, round(bank.voltage_V(amps), 2), amps, None, None, 8.0)
        found.append((sample, bank.state_of_charge))
    return found


def test_the_estimate_of_a_night_polled_each_minute_is_as_good_as_of_one_polled_each_five_seconds(tmp_path):
    description = describe_site(site_of(tmp_path, 'metering.level = "shunt"'))
    course = night_of_lamps()
    told = {}
    for every_s in (5, 60):
        estimator = BankEstimator(description, None)
        for sample, _ in course[:: every_s // 5]:
            estimate = estimator.update(sample)
        told[every_s] = estimate
    truth = course[-1][1]
    for estimate in told.values():
        assert abs(estimate.soc - truth) <= 2 * estimate.soc_sd
    assert told[60].soc == pytest.approx(told[5].soc, abs=told[5].soc_sd)
    assert told[60].soc_sd <= 1.2 * told[5].soc_sd


@pytest.mark.parametrize("every_s", [5, 60])
def test_an_alarm_comes_and_goes_within_its_delay_and_a_poll(tmp_path, every_s):
    """'Near the disconnect' waits a minute, and five until it goes (`alarms/shipped.py`)."""
    site = site_of(tmp_path, more="[computer]\nlow_every_s = 60\n")
    clock = SetClock(T0)
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        watch, told = AlarmWatch(site, store, clock), {}
        for at in range(0, 40 * 60, every_s):
            clock.set(T0 + at * 1000)
            volts = 11.5 if 600 <= at < 1200 else 12.4
            for each in watch.judge([Reading(clock.now_ms(), "charger", "battery_voltage_V", volts)]):
                if each.alarm == "Near the disconnect":
                    told[each.cause] = at
    assert 600 + 60 <= told["raised"] <= 600 + 60 + every_s
    assert 1200 + 300 <= told["returned"] <= 1200 + 300 + every_s
