"""A computer whose clock is wrong in every way, and a site on it; what must be in the store in the end.

Everything is real but the kernel's clocks: pipeline, timekeeper, held readings and store run as the daemon
puts them together, only that time passes as fast as polls are given. The truth is a list of what was served,
each with the moment at which it was. What happens is drawn from a seed: networks that come and go, somebody's
`date`, phones, wrong ones too, kills, and power cuts after which the clock stands at 1970, at the last
shutdown or in the future.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from monitor.clock import TIME_REQUEST, Clock, clock_from_note
from monitor.clock.kernel import Kernel
from monitor.clock.steady import BELIEVED_MS
from monitor.pipeline import Pipeline
from monitor.poll import PollResult
from monitor.power.darkness import Run, write_run
from monitor.records import DeviceHealth, Reading, Request, Transition
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import leave_request, open_reader, open_writer
from monitor.store.held import HeldReadings, held_path
from monitor.timekeeper import Timekeeper, start_clock
from tests.unit.site_files import MARSH_HIDE, write

POLL_MS, COMMIT_MS = 30_000, 60_000
HOUR, DAY = 3_600_000, 86_400_000
LOW_V, USUAL_V = 11.2, 12.6
ON_DELAY_MS = 600_000

ALARM = """
[[alarms]]
name = "Voltage low"
quantity = "battery_voltage_V"
condition = "below"
set_point = 11.5
deadband = 0.1
on_delay_s = 600
off_delay_s = 300
"""

STEPS_MS = (-HOUR, HOUR, -DAY, 30 * DAY, -3652 * DAY, 3652 * DAY)
"""What somebody's `date` does to the system's clock."""

WRONG_MS = (-HOUR, HOUR, -40 * DAY, 400 * DAY)
"""By how much a phone is off that somebody lets the monitor take by mistake."""


class Board(Kernel):
    """The clocks of a computer with a device tree and no chip; its world moves them."""

    def __init__(self, root: Path) -> None:
        super().__init__(root, lambda: self.is_synchronised)
        (root / "sys/firmware/devicetree/base").mkdir(parents=True, exist_ok=True)
        self.on_ms = 0  # the true time at which it was switched on
        self.true_ms = 0
        self.off_ms = 0  # the system's clock less the truth
        self.is_synchronised = False
        self.boots = 0

    @property
    def boot(self) -> str:
        return f"boot {self.boots}"

    def count_ms(self) -> int:
        return self.true_ms - self.on_ms

    def system_ms(self) -> int:
        return self.true_ms + self.off_ms


@dataclass(slots=True)
class Served:
    """One poll: when it truly was, what it told, in which boot; whether a commit has returned since, or what
    ended the daemon came before (None: neither yet)."""

    time_ms: int
    voltage_V: float
    boot: int
    committed: bool | None = None


@dataclass(slots=True)
class Dip:
    """A time of low voltage, and how often it was told."""

    start_ms: int
    end_ms: int
    raised: int = 0
    seen_whole: bool = True


@dataclass(slots=True)
class Counts:
    """What has happened."""

    events: dict[str, int] = field(default_factory=dict)

    def one(self, kind: str) -> None:
        self.events[kind] = self.events.get(kind, 0) + 1


class ClockWorld:
    """One site from a true moment on. `pass_time` polls; the rest happens to it."""

    def __init__(
        self,
        folder: Path,
        start_ms: int,
        seed: int = 0,
        zone: str = "Europe/London",
        poll_ms: int = POLL_MS,
    ) -> None:
        self.poll_ms = poll_ms
        self.folder, self.store_file = folder, folder / "nightbank.db"
        text = MARSH_HIDE.replace("Europe/London", zone) + ALARM
        self.site, _ = with_defaults(load_site(write(folder, text)))
        self.rng = random.Random(seed)
        self.board = Board(folder / "root")
        self.board.true_ms = start_ms
        self.served: list[Served] = []
        self.dips: list[Dip] = []
        self.told_boots: set[int] = set()
        self.counts = Counts()
        self.stray_alarms: list[int] = []
        self.switch_on()

    # --- what happens to it ---

    def switch_on(self, system_ms: int | None = None, *, is_synchronised: bool = False) -> None:
        """The computer starts; its clock stands at system_ms, by default where it was left to stand: 1970;
        a network may have set it before the daemon starts."""
        board = self.board
        board.boots += 1
        board.on_ms = board.true_ms - 20_000
        board.is_synchronised = is_synchronised
        board.off_ms = (0 if system_ms is None else system_ms) - board.true_ms
        self.start()

    def start(self) -> None:
        """The daemon starts as `service.run` puts it together."""
        self.store = open_writer(self.store_file, self.site.site.time_zone)
        self.held = HeldReadings(held_path(self.store_file), self.board.boot)
        self.clock = start_clock(self.board, self.store, self.held)
        write_run(self.store, Run(self.board.boot, computer=self.board.computer))
        self.pipeline = Pipeline(self.site, self.store, self.clock, held=self.held)
        self.keeper = Timekeeper(
            self.board, self.clock, self.store, self.held, self.pipeline, lambda *_: None
        )
        self.pipeline.save()
        self._saved_ms = self.board.true_ms

    def kill(self) -> None:
        """The daemon ends without another word."""
        self.store.close()
        self.held.close()
        self._fate(False)
        for dip in self.dips:
            if dip.end_ms >= self.board.true_ms >= dip.start_ms:
                dip.seen_whole = False

    def cut_power(self, dark_ms: int, system_ms: int | None = None) -> None:
        """The computer goes off and comes on again; its clock stands at system_ms then."""
        self.kill()
        self.board.true_ms += dark_ms
        self.switch_on(system_ms)

    def network(self, there: bool = True) -> None:
        """A network sets the system's clock, or goes."""
        if there:
            self.board.off_ms = 0
        self.board.is_synchronised = there

    def step(self, by_ms: int) -> None:
        """Somebody sets the system's clock by hand."""
        self.board.off_ms += by_ms
        self.board.is_synchronised = False

    def phone(self, off_ms: int = 0) -> int:
        """A person has the monitor take a phone's time that is off by so much; the request's number."""
        told_ms = self.board.true_ms + off_ms - self.board.count_ms()
        details: dict[str, str | float | None] = {"offset_ms": told_ms, "boot": self.board.boot}
        return leave_request(self.store_file, Request(self.clock.now_ms(), TIME_REQUEST, "", details))

    # --- time ---

    def voltage(self) -> float:
        """What the bank shows now, the same for all who ask at one moment."""
        now_ms = self.board.true_ms
        low = any(dip.start_ms <= now_ms < dip.end_ms for dip in self.dips)
        return round((LOW_V if low else USUAL_V) + 0.01 * (now_ms // self.poll_ms % 7), 2)

    def dip(self, lasts_ms: int) -> None:
        """The voltage is low from now on for so long."""
        self.dips.append(Dip(self.board.true_ms, self.board.true_ms + lasts_ms))

    def pass_time(self, for_ms: int) -> None:
        """Polls, rounds and commits as the daemon's loop makes them."""
        end_ms = self.board.true_ms + for_ms
        while self.board.true_ms < end_ms:
            self.board.true_ms += self.poll_ms
            self.poll()
            self.round()

    def poll(self) -> None:
        count_ms, volts = self.board.count_ms(), self.voltage()
        readings = (
            Reading(count_ms, "charger", "battery_voltage_V", volts),
            Reading(count_ms, "charger", "charge_current_A", 2.0),
        )
        health = DeviceHealth(
            "charger", "/dev/x 9600 baud", "answering", 0, count_ms, 80.0, len(self.served) + 1
        )
        self.served.append(Served(self.board.true_ms, volts, self.board.boots))
        self._hear(self.pipeline.take(PollResult("charger", readings, health, None)))

    def round(self) -> None:
        self.keeper.follow()
        self._hear(self.pipeline.follow())
        if self.clock.is_known:
            self.told_boots.add(self.board.boots)
        if self.board.true_ms - self._saved_ms >= COMMIT_MS:
            self.save()

    def save(self) -> None:
        self._saved_ms = self.board.true_ms
        self.pipeline.save()
        self._fate(True)

    def _fate(self, committed: bool) -> None:
        for each in reversed(self.served):
            if each.committed is not None:
                break
            each.committed = committed

    def _hear(self, transitions: Iterable[Transition]) -> None:
        now_ms = self.board.true_ms
        for each in transitions:
            if each.alarm == "Voltage low" and each.cause == "raised":
                mine = [dip for dip in self.dips if dip.start_ms <= now_ms <= dip.end_ms]
                if mine and now_ms - mine[0].start_ms >= ON_DELAY_MS - self.poll_ms:
                    mine[0].raised += 1
                else:
                    self.stray_alarms.append(now_ms)

    def happen(self) -> None:
        """Something drawn, and the time until the next."""
        kinds = ("network", "no network", "step", "phone", "wrong phone", "kill", "cut", "blink", "dip")
        kind = self.rng.choices(kinds, (3, 2, 4, 2, 2, 3, 3, 3, 3))[0]
        self.counts.one(kind)
        if kind == "network":
            self.network()
        elif kind == "no network":
            self.network(False)
        elif kind == "step":
            self.step(self.rng.choice(STEPS_MS))
        elif kind == "phone":
            self.phone(self.rng.randint(-2_000, 2_000))
        elif kind == "wrong phone":
            self.phone(self.rng.choice(WRONG_MS))
            self.pass_time(self.rng.randint(2, 100) * self.poll_ms)
            self.phone()
        elif kind == "kill":
            self.kill()
            self.start()
        elif kind == "blink":
            self.cut_power(self.rng.randint(20_000, 60_000), self.rng.choice([None, self.board.system_ms()]))
        elif kind == "cut":
            stood_ms = self.board.system_ms()
            dark_ms = self.rng.randint(20_000, 5 * HOUR)
            self.cut_power(dark_ms, self.rng.choice([None, stood_ms, stood_ms + 3652 * DAY]))
        elif not self.dips or self.dips[-1].end_ms + HOUR < self.board.true_ms:
            self.dip(self.rng.randint(20 * 60_000, 2 * HOUR))
        self.pass_time(self.rng.randint(5 * 60_000, 3 * HOUR))

    def finish(self) -> None:
        """A network comes for good, what is held lands, and the daemon stops."""
        self.network()
        self.pass_time(COMMIT_MS)
        while self.pipeline.holds:
            self.pass_time(COMMIT_MS)
        self.pipeline.save(stopped=True)
        self._fate(True)
        self.kill()

    # --- what is in the store ---

    def stored(self, quantity: str = "battery_voltage_V") -> list[Reading]:
        with open_reader(self.store_file) as reader:
            return [each for each in reader.readings(0, 2**42, {"charger"}) if each.quantity == quantity]

    def set_aside(self) -> list[Reading]:
        with closing(HeldReadings(held_path(self.store_file), self.board.boot)) as held:
            found = [each for aside in held.asides() for each in aside.readings]
        return [each for each in found if each.device == "charger"]

    def reader_clock(self, note: str | None) -> Clock:
        """The clock that a reader of the store on this board goes by."""
        return clock_from_note(note, self.board)

    def events(self, kind: str = "clock") -> list[str]:
        with open_reader(self.store_file) as reader:
            found = reversed(reader.events(0, 2**42, 10_000))
            return [event.text for event in found if event.kind == kind]


@dataclass(frozen=True, slots=True)
class Verdict:
    """served: polls; stored: of these in the store; aside: set aside; cut: lost with a commit interval.
    wrong: stored under another time, or another value; lost: what should be there and is not."""

    served: int
    stored: int
    aside: int
    cut: int
    wrong: list[str]
    lost: list[str]


def judge(world: ClockWorld, near_ms: int) -> Verdict:
    """Each stored reading beside what was served; near_ms is how wrong the sources of the world are. What a
    boot held that was never told the time may be stamped up to BELIEVED_MS too early, in order."""
    wrong, lost, cut, aside = [], [], 0, 0
    stored = world.stored()
    at = 0
    for each in world.served:
        early_ms = near_ms if each.boot in world.told_boots else near_ms + BELIEVED_MS
        if at < len(stored) and -early_ms <= stored[at].time_ms - each.time_ms <= near_ms:
            if stored[at].value != each.voltage_V:
                wrong.append(f"{each} is {stored[at]}")
            at += 1
        elif not each.committed:
            cut += 1
        elif each.boot not in world.told_boots:
            aside += 1
        else:
            lost.append(str(each))
    wrong += [f"nobody served {each}" for each in stored[at:]]
    return Verdict(len(world.served), at, aside, cut, wrong, lost)
