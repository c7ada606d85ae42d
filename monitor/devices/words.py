"""Registers to numbers, numbers to values. Pure; knows no wire and no file.

Modbus sends each register high byte first (MODBUS Application Protocol V1.1b3, 4.2) and says nothing about
the order of the two registers of a 32-bit number: makers differ, so `word_order` is part of a profile.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from monitor.quantities import Fault, Stage
from monitor.records import Quality, Reading

Encoding = Literal["u16", "s16", "u32", "s32", "f32", "u8hi", "u8lo", "s8hi", "s8lo"]
WordOrder = Literal["high_first", "low_first"]

REGISTERS: Mapping[Encoding, int] = {
    **{"u16": 1, "s16": 1, "u32": 2, "s32": 2, "f32": 2},
    **{"u8hi": 1, "u8lo": 1, "s8hi": 1, "s8lo": 1},
}
"""How many registers an encoding takes; two halves, hi and lo, may share one."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A value in its quantity's unit with its quality; see monitor.records.Reading for the rules."""

    value: float | None
    quality: Quality = Quality.GOOD
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a device's raw number means.

    (raw * scale + offset) is in the unit that the profile names; factor and shift bring that to the
    quantity's own unit. A raw number in `invalid` means 'not available'. low and high bound what is
    plausible, in the quantity's unit. codes maps a raw state to a Stage, bits a raw bit's number to a
    Fault; where one of them is given, scale and the rest do not apply.
    """

    scale: float = 1.0
    offset: float = 0.0
    factor: float = 1.0
    shift: float = 0.0
    invalid: tuple[float, ...] = ()
    low: float = -math.inf
    high: float = math.inf
    codes: Mapping[int, Stage] = field(default_factory=dict)
    bits: Mapping[int, Fault] = field(default_factory=dict)


def number_from(
    words: Sequence[int], encoding: Encoding, word_order: WordOrder = "high_first"
) -> int | float:
    """The number that one or two registers hold: int, for f32 a float that may be NaN or infinite.

    Raises ValueError for a wrong count of registers or a register outside 0..65535.
    """
    if len(words) != REGISTERS[encoding]:
        raise ValueError(f"{encoding} takes {REGISTERS[encoding]} registers, {len(words)} came")
    if not all(0 <= word <= 0xFFFF for word in words):
        raise ValueError(f"a register holds 0..65535, not {list(words)}")
    if len(words) == 1:
        pattern = words[0]
    elif word_order == "high_first":
        pattern = words[0] << 16 | words[1]
    else:
        pattern = words[1] << 16 | words[0]
    if encoding == "f32":
        return _shortest(struct.unpack(">f", struct.pack(">I", pattern))[0])
    if is_half(encoding):
        pattern = pattern >> 8 if encoding.endswith("hi") else pattern & 0xFF
    return _signed(pattern, bits_of(encoding)) if encoding[0] == "s" else pattern


def is_half(encoding: Encoding) -> bool:
    """Whether an encoding is the high or the low half of a register."""
    return encoding.endswith(("hi", "lo"))


def bits_of(encoding: Encoding) -> int:
    """How many bits an encoding has."""
    return 8 if is_half(encoding) else 16 * REGISTERS[encoding]


def sentinel_for(number: float, encoding: Encoding) -> float:
    """An invalid mark as `number_from` will give it.

    Manuals write the marks of signed registers as a bit pattern (0x8000) or as a number (-32768): both
    become the number. Raises ValueError for one that the encoding cannot hold.
    """
    if encoding == "f32":
        return _shortest(struct.unpack(">f", struct.pack(">f", number))[0])
    bits = bits_of(encoding)
    lowest = -(1 << bits - 1) if encoding[0] == "s" else 0
    if number != int(number) or not lowest <= number < 1 << bits:
        raise ValueError(f"{number:g} does not fit {encoding}")
    return _signed(int(number), bits) if encoding[0] == "s" else int(number)


def judge(raw: int | float, meaning: Meaning) -> Judged:
    """The value of a raw number, with its quality and, unless it is good, the reason."""
    if not math.isfinite(raw):
        return Judged(None, Quality.MISSING, "the device sent no number")
    if raw in meaning.invalid:
        return Judged(None, Quality.MISSING, "the device says not available")
    if meaning.codes:
        stage = meaning.codes.get(int(raw)) if raw == int(raw) else None
        if stage is None:
            return Judged(None, Quality.MISSING, f"state code {raw:g} is not in the profile")
        return Judged(float(stage))
    if meaning.bits:
        return Judged(float(faults_from(int(raw), meaning.bits)))
    value = round((raw * meaning.scale + meaning.offset) * meaning.factor + meaning.shift, 9)
    if not meaning.low <= value <= meaning.high:
        # without the value: a reason that stays the same is stored once
        return Judged(value, Quality.SUSPECT, f"outside the plausible {meaning.low:g} to {meaning.high:g}")
    return Judged(value)


def faults_from(raw: int, bits: Mapping[int, Fault]) -> Fault:
    """The faults of a bit field; a set bit that the profile does not list counts as Fault.OTHER."""
    faults = Fault(0)
    for bit in range(raw.bit_length()):
        if raw >> bit & 1:
            faults |= bits.get(bit, Fault.OTHER)
    return faults


def as_readings(
    device: str, quantities: Sequence[str], answers: Mapping[str, Judged], time_ms: int
) -> list[Reading]:
    """One reading of each quantity, in that order; what the answers leave out is missing."""
    left_out = Judged(None, Quality.MISSING, "not in the answer")
    found = [(quantity, answers.get(quantity, left_out)) for quantity in quantities]
    return [Reading(time_ms, device, name, got.value, got.quality, got.reason) for name, got in found]


def _signed(pattern: int, bits: int) -> int:
    """Two's complement; a number that is negative already stays."""
    return pattern - (1 << bits) if pattern >= 1 << bits - 1 else pattern


def _shortest(single: float) -> float:
    """The number with the fewest digits that is the same single-precision float (29.2, not 29.200000763).

    Nine significant digits always suffice (IEEE 754 binary32).
    """
    if not math.isfinite(single):
        return single
    pattern = struct.pack(">f", single)
    for digits in range(6, 9):
        candidate = float(f"{single:.{digits}g}")
        if abs(candidate) < 3.4e38 and struct.pack(">f", candidate) == pattern:
            return candidate
    return float(f"{single:.9g}") if abs(single) < 3.4e38 else single
