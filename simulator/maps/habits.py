"""How a maker of devices likes to write numbers: one encoding and scale a unit, with exceptions.

All shares are our choice; what they must reach is breadth, not the likeness of any device.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from simulator.maps.layout import Field
from simulator.maps.words import BITS, Encoding, WordOrder, width

REACH = {"V": (0, 160), "A": (-70, 70), "W": (0, 3000), "°C": (-25, 95), "Wh": (0, 20_000), "%": (0, 100)}
"""What a device of this size must be able to write, by unit; totals go further."""

SCALES = {
    "V": ((0.1, 4), (0.01, 5), (0.001, 1)),
    "A": ((0.1, 3), (0.01, 5), (0.001, 1)),
    "W": ((1, 5), (0.1, 3), (0.01, 2)),
    "°C": ((1, 4), (0.1, 5), (0.01, 1)),
    "Wh": ((1, 5), (10, 3), (0.1, 1), (100, 1)),
    "%": ((1, 8), (0.1, 2)),
    "": ((1, 1),),
}
ENCODINGS: dict[str, tuple[tuple[Encoding, int], ...]] = {
    "V": (("u16", 7), ("s16", 1), ("u32", 1)),
    "A": (("u16", 4), ("s16", 5), ("s32", 1)),
    "W": (("u16", 5), ("u32", 4), ("s32", 1)),
    "°C": (("s16", 6), ("u16", 2), ("u8lo", 1), ("s8lo", 1), ("u8hi", 1), ("s8hi", 1)),
    "Wh": (("u16", 4), ("u32", 6)),
    "%": (("u16", 6), ("u8lo", 2), ("u8hi", 1)),
    "": (("u16", 1),),
}
COLD_OFFSETS = (-40.0, -40.0, -50.0, -30.0, -100.0, -273.15, -273.0)
"""An unsigned temperature begins at one of these."""


def unit_of(fact: str) -> str:
    """The unit that ends a fact's name, '' for counts and codes."""
    tail = fact.split("/")[0].rsplit("_", 1)[-1]
    return {"C": "°C", "percent": "%"}.get(tail, tail if tail in SCALES else "")


def drawn(rng: Random, weighted: tuple[tuple[object, int], ...]) -> object:
    return rng.choices([item for item, _ in weighted], [weight for _, weight in weighted])[0]


@dataclass(frozen=True, slots=True)
class Writing:
    """Encoding, scale and offset of one fact."""

    encoding: Encoding
    scale: float
    offset: float = 0.0


class Habits:
    """One maker's habits, from chance. nasty ones write more in floats, two registers and halves."""

    def __init__(self, rng: Random, nasty: bool) -> None:
        self._rng = rng
        self.floats = rng.random() < (0.3 if nasty else 0.08)
        self.odd_share = 0.15 if nasty else 0.06
        self.order: WordOrder = rng.choice(("high_first", "low_first"))
        self.mixed_order = nasty and rng.random() < 0.2
        self.cut = rng.random() < 0.4
        self.net_negated = rng.random() < 0.2
        self._usual = {unit: self._draw(unit, REACH.get(unit, (0, 65535))) for unit in SCALES}

    def field(self, fact: str, function: int, address: int, writing: Writing) -> Field:
        order = None
        if width(writing.encoding) == 2:
            order = self.order
            if self.mixed_order and self._rng.random() < 0.5:
                order = "low_first" if order == "high_first" else "high_first"
        negate = self.net_negated and fact in ("battery_current_A", "controller_net_A")
        return Field(
            fact, function, address, writing.encoding, order, writing.scale, writing.offset, self.cut, negate
        )

    def writing(self, fact: str) -> Writing:
        """The usual way for the fact's unit, or now and then another."""
        unit = unit_of(fact)
        low, high = REACH.get(unit, (0, 65535))
        if "total" in fact or "year" in fact or "month" in fact or fact.endswith("_s"):
            return Writing("u32", self._usual[unit].scale if unit == "Wh" else 1.0)
        if fact in ("battery_current_A", "controller_net_A"):
            usual = self._usual["A"]
            encoding: Encoding = {"u16": "s16", "u32": "s32"}.get(usual.encoding, usual.encoding)  # type: ignore[assignment]
            return usual if self.floats else self._safe(Writing(encoding, usual.scale), low, high)
        if unit == "A":
            low = 0
        if self._rng.random() < self.odd_share:
            return self._draw(unit, (low, high))
        return self._usual[unit]

    def _draw(self, unit: str, reach: tuple[float, float]) -> Writing:
        if self.floats and unit and self._rng.random() < 0.9:
            return Writing("f32", 1.0 if self._rng.random() < 0.9 else 0.001)
        encoding: Encoding = drawn(self._rng, ENCODINGS[unit])  # type: ignore[assignment]
        scale = float(drawn(self._rng, SCALES[unit]))  # type: ignore[arg-type]
        offset = 0.0
        if unit == "°C" and encoding[0] == "u":
            offset = self._rng.choice(COLD_OFFSETS[:4] if len(encoding) == 4 else COLD_OFFSETS)
        if len(encoding) == 4:
            scale = 1.0
        if unit == "A" and encoding == "u16":
            reach = (0, reach[1])
        return self._safe(Writing(encoding, scale, offset), *reach)

    @staticmethod
    def _safe(writing: Writing, low: float, high: float) -> Writing:
        """The same with a coarser scale where the reach would not fit."""
        bits = BITS[writing.encoding]
        signed = writing.encoding[0] == "s"
        most = (1 << bits - 1) - 1 if signed else (1 << bits) - 1
        scale = writing.scale
        while (high - writing.offset) / scale > most or (signed and -low / scale > most):
            scale = round(scale * 10, 6)
        return Writing(writing.encoding, scale, writing.offset)
