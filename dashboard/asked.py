"""What a program asks for in an address: each value checked, each fault told with what to write. Pure.

The patterns stand in the description for programs (`openapi`) too, so that the two cannot differ.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TypeVar

from monitor.errors import NightbankError
from monitor.quantities import QUANTITIES
from monitor.records import DAY_MS, to_ms
from monitor.toml_lines import did_you_mean

TIME_PATTERN = (
    r"^20[0-9]{2}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,3})?)?(Z|[+-][0-9]{2}:[0-9]{2})$"
)
"""A time after RFC 3339, its seconds may be left out; no reading is of another century (our choice)."""

DATE_PATTERN = r"^20[0-9]{2}-[0-9]{2}-[0-9]{2}$"

MOST_POINTS = 2000
"""A screen has no more columns (our choice); a longer record is asked for piece by piece."""

USUAL_POINTS = 300

MOST_RANGE_DAYS = 3660
"""Ten years (our choice): so long ranges are made of days' sums, of which a year is some thousand."""

MOST_DAYS = 400
"""A year with the weeks around it (our choice)."""

T = TypeVar("T")


class AskedWrongly(NightbankError, ValueError):
    """An address asks for what cannot be; the text says what is wrong and what to write."""


@dataclass(frozen=True, slots=True)
class AskedRange:
    """A quantity in [start_ms, end_ms) in at most `points` points."""

    quantity: str
    start_ms: int
    end_ms: int
    points: int


@dataclass(frozen=True, slots=True)
class AskedDays:
    """Local days, both included."""

    first: date
    last: date


def nothing(query: Sequence[tuple[str, str]]) -> None:
    """For an address that takes no value. Raises AskedWrongly."""
    _values(query, ())


def asked_range(query: Sequence[tuple[str, str]]) -> AskedRange:
    """quantity, from, to and perhaps points. Raises AskedWrongly."""
    values = _values(query, ("quantity", "from", "to", "points"))
    quantity = _needed(values, "quantity", "a quantity such as battery_voltage_V")
    if quantity not in QUANTITIES:
        raise AskedWrongly(f"quantity: {quantity!r} is not known; {did_you_mean(quantity, QUANTITIES)}")
    start_ms, end_ms = (time_of(name, _needed(values, name, "a time")) for name in ("from", "to"))
    _in_order(start_ms, end_ms, MOST_RANGE_DAYS)
    return AskedRange(quantity, start_ms, end_ms, _points(values.get("points", str(USUAL_POINTS))))


def asked_days(query: Sequence[tuple[str, str]]) -> AskedDays:
    """from and to, both dates and both included. Raises AskedWrongly."""
    values = _values(query, ("from", "to"))
    first, last = (_date(name, _needed(values, name, "a date")) for name in ("from", "to"))
    if last < first:
        raise AskedWrongly(f"to: {last} lies before from; write the earlier date under from")
    if (last - first).days >= MOST_DAYS:
        raise AskedWrongly(f"to: at most {MOST_DAYS} days are answered at a time; ask in pieces")
    return AskedDays(first, last)


def asked_history(query: Sequence[tuple[str, str]], now_ms: int) -> tuple[int, int] | None:
    """The span of alarms' changes asked for, None where only their states are; `to` may be left out for now.

    Raises AskedWrongly.
    """
    values = _values(query, ("from", "to"))
    if "from" not in values:
        if "to" in values:
            raise AskedWrongly("from: is missing; write from when on the changes are wanted, or leave to out")
        return None
    start_ms = time_of("from", values["from"])
    end_ms = time_of("to", values["to"]) if "to" in values else max(now_ms, start_ms) + 1
    _in_order(start_ms, end_ms, MOST_RANGE_DAYS)
    return start_ms, end_ms


def time_of(name: str, text: str) -> int:
    """UTC ms of a time in an address. Raises AskedWrongly."""
    advice = "write it with its zone like 2026-11-25T20:00:00Z (a + in an address is written %2B)"
    return _read(name, text, TIME_PATTERN, lambda told: to_ms(datetime.fromisoformat(told)), advice)


def _date(name: str, text: str) -> date:
    return _read(name, text, DATE_PATTERN, date.fromisoformat, "write it like 2026-11-25")


def _points(text: str) -> int:
    if not re.fullmatch("[1-9][0-9]{0,3}", text) or int(text) > MOST_POINTS:
        raise AskedWrongly(f"points: {text!r} is not a whole number from 1 to {MOST_POINTS}")
    return int(text)


def _read(name: str, text: str, pattern: str, read: Callable[[str], T], advice: str) -> T:
    try:
        if not re.fullmatch(pattern, text):
            raise ValueError
        return read(text)
    except ValueError:
        what = "time" if pattern is TIME_PATTERN else "date"
        raise AskedWrongly(f"{name}: {text!r} is not a {what} of this century; {advice}") from None


def _in_order(start_ms: int, end_ms: int, most_days: int) -> None:
    if end_ms <= start_ms:
        raise AskedWrongly("to: does not lie after from; write the earlier time under from")
    if end_ms - start_ms > most_days * DAY_MS:
        raise AskedWrongly(f"to: at most {most_days} days are answered at a time; ask in pieces")


def _values(query: Sequence[tuple[str, str]], known: Sequence[str]) -> Mapping[str, str]:
    """The values of an address by name, each known and given once."""
    values: dict[str, str] = {}
    for name, text in query:
        if name not in known:
            there = f"known are {', '.join(known)}" if known else "this address takes none"
            raise AskedWrongly(f"{name!r} is no value of this address; {there}")
        if name in values:
            raise AskedWrongly(f"{name}: is given twice; write it once")
        values[name] = text
    return values


def _needed(values: Mapping[str, str], name: str, what: str) -> str:
    if name not in values:
        raise AskedWrongly(f"{name}: is missing; add {name}= and {what}")
    return values[name]
