"""Numbers into registers, in the encodings that devices use. Held at their ends, never wrapped."""

from __future__ import annotations

import struct
from math import floor
from typing import Literal

Encoding = Literal["u16", "s16", "u32", "s32", "f32", "u8hi", "u8lo", "s8hi", "s8lo"]
WordOrder = Literal["high_first", "low_first"]

BITS = {"u16": 16, "s16": 16, "u32": 32, "s32": 32, "u8hi": 8, "u8lo": 8, "s8hi": 8, "s8lo": 8}


def width(encoding: Encoding) -> int:
    """Registers that an encoding takes; two halves may share one."""
    return 2 if encoding in ("u32", "s32", "f32") else 1


def pack(
    value: float, encoding: Encoding, order: WordOrder | None, scale: float, offset: float, cut: bool
) -> tuple[int, ...]:
    """The words of a value = raw * scale + offset; halves come in their place, the other half zero.

    cut drops what is beyond the last digit (towards zero), otherwise it is rounded.
    """
    exact = (value - offset) / scale
    if encoding == "f32":
        pattern = struct.unpack(">I", struct.pack(">f", exact))[0]
    else:
        raw = (floor(abs(exact) + 1e-9) if cut else floor(abs(exact) + 0.5)) * (1 if exact >= 0 else -1)
        bits = BITS[encoding]
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if encoding[0] == "s" else (0, (1 << bits) - 1)
        pattern = max(low, min(high, raw)) & (1 << bits) - 1
    if encoding.endswith("hi"):
        return (pattern << 8,)
    if width(encoding) == 1:
        return (pattern,)
    words = (pattern >> 16, pattern & 0xFFFF)
    return words if order == "high_first" else words[::-1]
