"""What may go wrong on request: one fault at a time for each device, seeded.

A fault is ordered by kind with a rate (share of replies hit, 1 if not named), a count after which it ends,
and what the kind needs besides (delay_s, code).
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Any

BYTE_KINDS = ("bit_flip", "drop_byte", "truncate", "noise")
VALUE_KINDS = ("stuck", "absurd")
COMMON = ("none", *BYTE_KINDS, "late", "silence", "slow", *VALUE_KINDS)
FRAME_KINDS = ("echo", "foreign_length", "foreign_function", "foreign_unit", "exception")
FOR_REGISTERS = (*COMMON, *FRAME_KINDS)
FOR_TEXT = (*COMMON, "foreign_length", "foreign_function")
DELAYS_S = {"late": 1.03, "slow": 0.3}  # unless the order names its own


class FaultError(ValueError):
    """The order cannot be carried out; the text says what is possible."""


@dataclass(slots=True)
class Fault:
    """The fault that a device has at present; `hits` counts the replies spoilt."""

    kind: str = "none"
    rate: float = 1.0
    left: int | None = None
    delay_s: float = 0.0
    code: int = 4
    hits: int = 0

    def strikes(self, rng: Random) -> bool:
        """Whether the next reply is hit; counts it if so."""
        if self.kind == "none" or self.left == 0 or rng.random() >= self.rate:
            return False
        self.hits += 1
        if self.left is not None:
            self.left -= 1
        return True


def ordered(order: dict[str, Any], kinds: tuple[str, ...]) -> Fault:
    """The fault of a control line. Raises FaultError."""
    kind = order.get("kind")
    if kind not in kinds:
        raise FaultError(f"fault kind must be one of {', '.join(kinds)} for this device, not {kind!r}")
    known = {"do", "device", "kind", "rate", "for", "delay_s", "code"}
    unknown = sorted(set(order) - known)
    if unknown:
        raise FaultError(f"fault takes no {', '.join(unknown)}; it knows {', '.join(sorted(known))}")
    rate = number(order, "rate", 1.0, 0.0, 1.0)
    delay_s = number(order, "delay_s", DELAYS_S.get(kind, 0.0), 0.0, 60.0)
    code = int(number(order, "code", 4, 1, 255))
    left = order.get("for")
    if left is not None and (not isinstance(left, int) or isinstance(left, bool) or left < 1):
        raise FaultError(f"fault `for` must be a whole number from 1 or null, not {left!r}")
    return Fault(kind, rate, left, delay_s, code)


def number(order: dict[str, Any], key: str, default: float, low: float, high: float) -> float:
    """A number of a control line within its range. Raises FaultError."""
    value = order.get(key, default)
    if not isinstance(value, int | float) or isinstance(value, bool) or not low <= value <= high:
        raise FaultError(f"`{key}` must be a number from {low:g} to {high:g}, not {value!r}")
    return value


def spoil(kind: str, data: bytes, rng: Random) -> bytes:
    """Bytes as they come out of a bad line. Data of two bytes or more; other kinds leave it as it is."""
    if kind == "bit_flip":
        place = rng.randrange(len(data))
        return data[:place] + bytes([data[place] ^ 1 << rng.randrange(8)]) + data[place + 1 :]
    if kind == "drop_byte":
        place = rng.randrange(len(data))
        return data[:place] + data[place + 1 :]
    if kind == "truncate":
        return data[: rng.randrange(1, len(data))]
    if kind == "noise":
        before, after = rng.randbytes(rng.randrange(1, 12)), rng.randbytes(rng.randrange(0, 6))
        return before + data + after
    return data
