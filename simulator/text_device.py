"""The marsh-shunt: a bank monitor with a shunt that tells its values unasked, one text line at a time.

`V=12.64;I=-2.31;M=6.32;T=18.4*2B`, checksum of the kind used by NMEA 0183 (exclusive or of all characters
before the star, two upper-case hex digits), carriage return and line feed.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import reduce
from operator import xor
from random import Random

from simulator.faults import BYTE_KINDS, FOR_TEXT, Fault, spoil
from simulator.line import SerialEnd, character_s, wait_until
from simulator.meters import MeterSettings
from simulator.plant import Truth

BITS_A_CHARACTER = 10  # 8N1


def checksum(text: str) -> str:
    """Exclusive or of all characters as two upper-case hex digits."""
    return f"{reduce(xor, text.encode('ascii'), 0):02X}"


def line_of(body: str) -> bytes:
    """A whole line: body, checksum, end."""
    return f"{body}*{checksum(body)}\r\n".encode("ascii")


def body_of(truth: Truth, meters: MeterSettings) -> str:
    """The values as the instrument shows them; `--` where the probe is missing."""
    probe = "--"
    if "probe_missing" not in truth.faults:
        probe = f"{plain(meters.temperature_C(truth.battery_temperature_C), 1)}"
    return (
        f"V={plain(meters.voltage_V(truth.posts_voltage_V), 2)}"
        f";I={plain(meters.current_A(truth.shunt_current_A), 2)}"
        f";M={plain(meters.voltage_V(truth.midpoint_voltage_V), 2)}"
        f";T={probe}"
    )


def plain(value: float, places: int) -> str:
    """Fixed places, and no minus before nought."""
    text = f"{value:.{places}f}"
    return text.removeprefix("-") if float(text) == 0 else text


class TextDevice:
    """The shunt on its serial line."""

    def __init__(
        self, end: SerialEnd, baud: int, meters: MeterSettings, look: Callable[[], Truth], seed: int
    ) -> None:
        self.end = end
        self.character_s = character_s(baud, BITS_A_CHARACTER)
        self.meters = meters
        self.fault = Fault()
        self.kinds = FOR_TEXT
        self.silent_until_s = 0.0
        self.lines = 0
        self.rng = Random(f"{seed}/shunt")
        self._look = look
        self._stuck: Truth | None = None
        self._held = b""

    def order(self, fault: Fault) -> None:
        """Take a fault; `stuck` holds the values of this moment."""
        self._stuck = self._look() if fault.kind == "stuck" else None
        self.fault = fault

    def tell(self, paced: bool) -> None:
        """Send one line; paced: its last character appears when a wire would have carried it."""
        began = time.monotonic()
        if began < self.silent_until_s:
            return
        data, delay_s = self._spoilt()
        if paced:
            wait_until(began + delay_s + len(data) * self.character_s)
        self.end.send(data)
        self.lines += 1

    def _spoilt(self) -> tuple[bytes, float]:
        kind = self.fault.kind if self.fault.strikes(self.rng) else "none"
        truth = self._stuck if kind == "stuck" and self._stuck is not None else self._look()
        body = body_of(truth, self.meters)
        held, self._held = self._held, b""
        if kind == "silence":
            return held, 0.0
        if kind == "late":  # it comes together with the next one
            self._held = held + line_of(body)
            return b"", 0.0
        if kind == "absurd":
            body = self.rng.choice(("V=99.99;I=-999.99;M=0.00;T=--", "V=0.00;I=655.35;M=99.99;T=-99.9"))
        if kind == "foreign_length":
            body = body.rpartition(";")[0]
        if kind == "foreign_function":
            body = "A=3;" + body.replace("V=", "U=")
        data = line_of(body)
        if kind in BYTE_KINDS:
            data = spoil(kind, data, self.rng)
        return held + data, self.fault.delay_s if kind == "slow" else 0.0
