"""One class of faults on one transport, through the very poll loop that the daemon runs; see
`tests.bench.line_faults`, which runs them all.

The far end spoils its answers for a while, a tenth, half or all of them, and is good again until the device
has answered; so on until enough frames came while it did. Registers and lines hold numbers that are different
in each answer, all of them plausible: what is believed is either what the last request was answered or wrong.
"""

from __future__ import annotations

import json
import queue
import random
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from monitor.clock import SystemClock
from monitor.devices.device import Device, build_lines
from monitor.poll import Poller, PollResult
from monitor.records import Quality, Reading
from monitor.site.model import Bank, DeviceEntry, Place, Site
from tests.faults.peer import UNIT, Peer, Plan, words
from tests.faults.tcp_peer import TcpPeer, TcpPlan
from tests.faults.text_peer import KEYS, TextPeer, TextPlan, value

PERIOD_S = 0.25  # five time-outs, as by default (5 s and 1 s)
TIMEOUT_S = 0.05  # the shortest that a site file allows
BAUD = 460800  # a pseudo-terminal has no speed; so fast that 12 requests fit well into the period
FAILING_POLLS = {0.1: 40, 0.5: 16, 1.0: 8}
"""For how many polls so large a share of the answers is spoilt, in turn."""

GOOD_POLLS = 3
GIVE_UP_POLLS = 50
PLAUSIBLE = (
    "battery_voltage_V", "battery_current_A", "charge_current_A", "load_current_A", "battery_temperature_C",
    "controller_temperature_C", "array_voltage_V", "array_current_A", "array_power_W", "charge_power_W",
    "load_power_W", "battery_power_W",
)  # fmt: skip
"""Quantities for which 0 to 65 is plausible, so that no range helps."""

ADDRESSES = [*range(0, 8 * 64, 64), 0x300, 0x340, 0x380, 0x3C0]
"""Each quantity by itself in a request of two registers; the echo of a read at 0x03.. is like a reply."""

CLASSES: dict[str, dict[str, tuple[str, ...]]] = {
    "bit flips": {
        "rtu": ("bit_flip", "scramble"), "tcp": ("bit_flip",), "text": ("bit_flip", "bit_flips"),
    },
    "drops": {"rtu": ("drop_bytes",), "tcp": ("drop_bytes",), "text": ("drop_byte", "drop_bytes")},
    "noise": {"rtu": ("noise",), "tcp": ("noise",), "text": ("noise",)},
    "truncation": {"rtu": ("truncate",), "tcp": ("truncate",), "text": ("truncate",)},
    "echo": {
        "rtu": ("echo_then_reply", "echo_only"), "tcp": ("echo_then_reply", "echo_only"), "text": ("echo",),
    },
    "late": {
        "rtu": ("late", "far_too_late", "slow", "latency", "long_latency"),
        "tcp": ("late",),
        "text": ("late",),
    },
    "foreign": {
        "rtu": ("other_unit", "other_function", "other_length"),
        "tcp": ("other_unit", "other_function", "other_length", "other_transaction", "wrong_byte_count"),
        "text": ("foreign",),
    },
    "silence": {"rtu": ("silence",), "tcp": ("silence",), "text": ("silence",)},
    "unplugging": {"rtu": ("unplugged",), "tcp": ("unplugged",), "text": ("unplugged",)},
    "exceptions": {"rtu": ("exception", "flood"), "tcp": ("exception", "flood"), "text": ("flood",)},
}  # fmt: skip
"""Class, transport, faults in turn."""

TRANSPORTS = ("rtu", "tcp", "text crc16", "text xor")


@dataclass
class Outcome:
    """What one class on one transport gave. recovered_s counts from the end of the fault to the first good
    poll, failed_after tells of the polls that failed meanwhile; cpu is s of the line's thread per s, while
    all answers fail and while none does."""

    kind: str
    transport: str
    seed: int
    frames: int = 0
    hit: int = 0
    polls: int = 0
    believed: int = 0
    wrong: int = 0
    wrong_told: list[str] = field(default_factory=list)
    errors: dict[str, int] = field(default_factory=dict)
    recovered_s: list[float] = field(default_factory=list)
    failed_after: list[str] = field(default_factory=list)
    cpu_good: float = 0.0
    cpu_failing: dict[str, float] = field(default_factory=dict)
    seconds: float = 0.0


class RtuEnd:
    """The RTU peer under a link that follows its pseudo-terminal, as an adapter's path does."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.peer = Peer(Plan(baud=BAUD, timeout_s=TIMEOUT_S, seed=seed))
        self._port = folder / "port"
        self._port.symlink_to(self.peer.path)
        self.entry = entry(connection="serial", port=str(self._port), baud=BAUD, parity="even")

    def change(self, **plan: Any) -> dict[str, Any]:
        if plan.get("plugged") is False:
            self._port.unlink()
        told = self.peer.change(**plan)
        if plan.get("plugged"):
            self._port.symlink_to(told["path"])
        return told

    def is_true(self, reading: Reading) -> bool:
        return holds(reading, self.peer)


class TcpEnd:
    def __init__(self, folder: Path, seed: int) -> None:
        self.peer = TcpPeer(TcpPlan(timeout_s=TIMEOUT_S, seed=seed))
        self.entry = entry(connection="tcp", host="127.0.0.1", tcp_port=self.peer.port)

    def change(self, **plan: Any) -> dict[str, Any]:
        return self.peer.change(**plan)

    def is_true(self, reading: Reading) -> bool:
        return holds(reading, self.peer)


class TextEnd(RtuEnd):
    """The sender of text; true is what one of the last lines said."""

    LINES = round(2 * PERIOD_S / 0.02)
    """Of two poll periods: a sender of text says nothing by which an old line could be told."""

    def __init__(self, folder: Path, seed: int, checksum: str) -> None:
        self.peer = TextPeer(TextPlan(checksum=checksum, seed=seed))  # type: ignore[assignment]  # in all that is used
        self._port = folder / "port"
        self._port.symlink_to(self.peer.path)
        self.entry = entry(connection="serial", port=str(self._port))

    def is_true(self, reading: Reading) -> bool:
        key, last = KEYS[PLAUSIBLE.index(reading.quantity)], self.peer.number
        return any(reading.value == float(value(key, last - back)) for back in range(self.LINES))


def entry(**more: Any) -> DeviceEntry:
    return DeviceEntry(
        name="charger", profile="far.toml", every_s=PERIOD_S, timeout_s=TIMEOUT_S, unit=UNIT, **more
    )


def holds(reading: Reading, peer: Peer | TcpPeer) -> bool:
    """Whether this is what the last request for just this quantity was answered."""
    address = ADDRESSES[PLAUSIBLE.index(reading.quantity)]
    high, low = words(address, 2, peer.asked_at(address, 2))
    return reading.value is not None and round(reading.value * 1e8) == high << 16 | low


def register_profile() -> str:
    """One quantity a request; a pair of registers holds 0 to 42.9 in 0.00000001."""
    head = 'protocol = "modbus"\nabout = "far end"\nsource = "this campaign"\nlargest_request = 2\n'
    points = "".join(
        f'[[points]]\nquantity = "{name}"\nfunction = 4\naddress = {address}\nencoding = "u32"\n'
        f'word_order = "high_first"\nscale = 1e-8\nunit = "{unit(name)}"\n'
        for name, address in zip(PLAUSIBLE, ADDRESSES, strict=True)
    )
    return head + points


def text_profile(checksum: str) -> str:
    head = (
        'protocol = "text"\nabout = "far end"\nsource = "this campaign"\ninterval_s = 0.02\nform = "pairs"\n'
        f'separator = ";"\nassign = "="\nchecksum = "{checksum}"\n'
    )
    return head + "".join(
        f'[[fields]]\nquantity = "{name}"\nkey = "{key}"\nunit = "{unit(name)}"\n'
        for name, key in zip(PLAUSIBLE, KEYS, strict=False)
    )


def unit(quantity: str) -> str:
    return quantity.rpartition("_")[2].replace("C", "°C")


class Watched:
    """A device whose every poll is judged in the poll's own thread."""

    def __init__(self, device: Device, is_true: Callable[[Reading], bool], outcome: Outcome) -> None:
        self._device, self._is_true, self._outcome = device, is_true, outcome

    def poll(self, again: bool = False) -> list[Reading]:
        readings = self._device.poll(again)
        for reading in readings:
            if reading.quality is Quality.GOOD:
                self._outcome.believed += 1
                if not self._is_true(reading):
                    self._outcome.wrong += 1
                    self._outcome.wrong_told.append(f"{reading.quantity} {reading.value}")
        return readings

    def __getattr__(self, name: str) -> Any:
        return getattr(self._device, name)


class Run:
    """The poll loop on a far end, and what came of each poll."""

    def __init__(self, kind: str, transport: str, seed: int, folder: Path) -> None:
        self.outcome = Outcome(kind, transport, seed)
        self.end: RtuEnd | TcpEnd | TextEnd
        medium, _, checksum = transport.partition(" ")
        profile = text_profile(checksum) if medium == "text" else register_profile()
        (folder / "far.toml").write_text(profile, encoding="utf-8")
        if medium == "text":
            self.end = TextEnd(folder, seed, checksum)
        else:
            self.end = RtuEnd(folder, seed) if medium == "rtu" else TcpEnd(folder, seed)
        self.faults = CLASSES[kind][medium]
        site = Site(
            site=Place(name="Bench", latitude_deg=52.6, longitude_deg=1.5),
            bank=Bank(chemistry="flooded", unit_voltage_V=6, unit_capacity_Ah=225, units_in_series=2),
            devices=(self.end.entry,),
        )
        clock = SystemClock()
        (line,) = build_lines(site, folder, clock)
        watched: Any = Watched(line.devices[0], self.end.is_true, self.outcome)
        self._results: queue.SimpleQueue[PollResult] = queue.SimpleQueue()
        self.poller = Poller([replace(line, devices=(watched,))], clock, self._results, seed=seed)
        self._errors: Counter[str] = Counter()
        self._seen = 0  # frames up to the end of the last fault

    def poll(self) -> PollResult:
        """The next poll's result."""
        result = self._results.get(timeout=60)
        self.outcome.polls += 1
        if result.error is not None:
            self._errors[result.error.kind] += 1
        self.outcome.errors = dict(self._errors)
        return result

    def cpu_s(self) -> float:
        """CPU time of the line's thread so far."""
        (worker,) = self.poller._workers
        ident = worker.thread.ident
        assert ident is not None
        return time.clock_gettime(time.pthread_getcpuclockid(ident))

    def campaign(self, frames: int) -> None:
        rng = random.Random(self.outcome.seed)
        spent: dict[str, tuple[float, float]] = {}

        def spend(name: str, polls: int) -> None:
            began_s, cpu_s = time.monotonic(), self.cpu_s()
            for _ in range(polls):
                self.poll()
            used = spent.get(name, (0.0, 0.0))
            spent[name] = used[0] + time.monotonic() - began_s, used[1] + self.cpu_s() - cpu_s

        while self.poll().error is not None:
            pass
        turn, rates = 0, tuple(FAILING_POLLS)
        while self.outcome.frames < frames or turn < len(self.faults) * len(rates):
            fault = self.faults[turn % len(self.faults)]
            rate = 1.0 if fault == "unplugged" else rates[turn // len(self.faults) % len(rates)]
            turn += 1
            spend("good", GOOD_POLLS)
            time.sleep(rng.uniform(0, PERIOD_S))  # faults begin and end at any moment of a period
            before = self._begin(fault, rate)
            if rate == 1.0:
                self.poll()  # may have begun before
                spend(fault, FAILING_POLLS[rate])
            else:
                for _ in range(FAILING_POLLS[rate]):
                    self.poll()
            time.sleep(rng.uniform(0, PERIOD_S))
            while not self._results.empty():
                self.poll()
            self._count(before, self._end(fault))
            self._recover(f"{fault} at {rate:g}")
        good = spent.pop("good")
        self.outcome.cpu_good = good[1] / good[0]
        self.outcome.cpu_failing = {name: cpu_s / wall_s for name, (wall_s, cpu_s) in spent.items()}

    def _begin(self, fault: str, rate: float) -> dict[str, Any]:
        if fault == "unplugged":
            self.outcome.hit += 1
            return self.end.change(plugged=False)
        return self.end.change(fault=fault, rate=rate)

    def _end(self, fault: str) -> dict[str, Any]:
        if fault == "unplugged":  # no frames come meanwhile: those between count
            return self.end.change(plugged=True)
        return self.end.change(fault="none", rate=0.0)

    def _count(self, before: dict[str, Any], after: dict[str, Any]) -> None:
        self.outcome.hit += after["hit"] - before["hit"]
        self.outcome.frames += after["number"] - (
            before["number"] if self.faults != ("unplugged",) else self._seen
        )
        self._seen = after["number"]

    def _recover(self, what: str) -> None:
        ended_s = time.monotonic()
        failed: list[str] = []
        while (error := self.poll().error) is not None and len(failed) < GIVE_UP_POLLS:
            failed.append(error.kind)
        self.outcome.recovered_s.append(time.monotonic() - ended_s)
        self.outcome.failed_after.append(f"{what}: {', '.join(failed)}")


def run(kind: str, transport: str, frames: int, seed: int) -> Outcome:
    """One class on one transport until so many frames came while the fault was there."""
    began_s = time.monotonic()
    with TemporaryDirectory() as folder:
        campaign = Run(kind, transport, seed, Path(folder))
        with campaign.end.peer:
            campaign.poller.start()
            try:
                campaign.campaign(frames)
            finally:
                campaign.poller.stop()
    campaign.outcome.seconds = time.monotonic() - began_s
    return campaign.outcome


if __name__ == "__main__":
    kind, transport, frames, seed = sys.argv[1:]
    print(json.dumps(asdict(run(kind, transport, int(frames), int(seed)))))
