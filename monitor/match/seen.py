"""What a person read off the display, digits as shown, at the times of snapshots: [[seen]] tables in TOML."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from monitor.errors import MatchError, Problem
from monitor.match.dump import moment_ms
from monitor.match.habits import NAMES, SOUGHT
from monitor.toml_lines import TomlPath, did_you_mean, dotted, load_toml

DIGITS = re.compile(r"[+-]?[0-9]{1,7}(\.[0-9]{1,4})?")
UNITS = re.compile(r"\s*(V|A|W|Wh|°C|C|%)$")

OUTPUT = "load_output"
"""The key by which a person says that the load output was on or off, or that there is none; nobody knows
where it is missing."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A number on the display. step is what its last digit counts."""

    value: float
    step: float


@dataclass(frozen=True, slots=True)
class Look:
    """What one look at the display told, beside snapshot number `index`. output_off: the person says that the
    load output was switched off, or that there is none.
    """

    index: int
    shown: Mapping[str, Shown]
    output_off: bool = False


class Moments(Protocol):
    """What a look lies beside: the snapshots of a dump, or the lines of a capture. times_ms is None where
    nobody noted times; a look is then beside a line, counted from 1.
    """

    @property
    def times_ms(self) -> Sequence[int] | None: ...

    @property
    def absence(self) -> str:
        """How a person is told that nothing lies beside a look."""

    def index_of(self, moment: int) -> int | None:
        """The snapshot of a time (UTC ms), or of a line's number where there are no times."""


def shown(text: str) -> Shown | None:
    """The number that digits as shown stand for, None where they are none ('12,6', '--')."""
    digits = UNITS.sub("", text.strip().replace("\N{MINUS SIGN}", "-"))
    if not DIGITS.fullmatch(digits):
        return None
    decimals = len(digits.partition(".")[2])
    return Shown(float(digits), 10.0**-decimals)


def typing_mistake(quantity: str, told: Shown) -> str | None:
    """What is odd about a number that no such quantity can have; None for a possible one."""
    sought = SOUGHT[quantity]
    if sought.low <= told.value <= sought.high:
        return None
    return (
        f"{told.value:g} {sought.unit} looks like a typing mistake: the {NAMES[quantity]} lies between "
        f"{sought.low:g} and {sought.high:g} {sought.unit}"
    )


def coarsened(looks: Sequence[Look]) -> tuple[Look, ...]:
    """The looks with the steps in which whole numbers really count: 510, 530, 540 come in tens.

    A single number that ends in 0 is taken so, too; that makes it agree with more and so say less.
    """
    steps: dict[str, float] = {}
    for quantity in {name for look in looks for name in look.shown}:
        read = [look.shown[quantity] for look in looks if quantity in look.shown]
        if SOUGHT[quantity].unit in ("W", "Wh") and all(one.step == 1.0 for one in read):
            step = 1
            while step < 100 and all(one.value % (10 * step) == 0 for one in read):
                step *= 10
            steps[quantity] = float(step if any(one.value for one in read) else min(step, 10))
    return tuple(
        replace(
            look,
            shown={name: replace(one, step=steps.get(name, one.step)) for name, one in look.shown.items()},
        )
        for look in looks
    )


def load_seen(path: Path, dump: Moments) -> tuple[Look, ...]:
    """The looks in a TOML file, in order of time. Raises MatchError with the line of everything wrong."""
    data, lines = load_toml(path, MatchError)
    faults: list[tuple[TomlPath, str]] = [
        ((key,), "unknown key; write [[seen]] tables") for key in data if key != "seen"
    ]
    tables = data.get("seen", [])
    looks: dict[int, Look] = {}
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        faults.append((("seen",), "each look at the display is a [[seen]] table"))
    elif not tables:
        faults.append((("seen",), "is missing; write a [[seen]] table for each look at the display"))
    else:
        for number, table in enumerate(tables):
            own: list[tuple[TomlPath, str]] = [
                (("seen", number, key), text) for key, text in _faults(table, dump)
            ]
            faults += own
            if not own:
                look = _look(table, dump)
                if look.index in looks:
                    text = "another look has this time as well; join the two into one table"
                    faults.append((("seen", number, _beside(dump)), text.replace("time", _beside(dump))))
                looks[look.index] = look
    if faults:
        raise MatchError(
            str(path),
            tuple(
                Problem(dotted(key), lines.line_of(key) or lines.line_of(key[:-1]), text)
                for key, text in faults
            ),
        )
    return tuple(looks[index] for index in sorted(looks))


def _faults(table: Mapping[str, object], dump: Moments) -> Iterator[tuple[str, str]]:
    """Keys of a table that cannot be used, each with what is wrong."""
    beside = _beside(dump)
    for key, text in table.items():
        if key == beside:
            continue
        if key == OUTPUT:
            if text not in ("on", "off", "none"):
                yield key, f'is {text!r}; write "on" or "off", or "none" where there is no load output'
        elif key not in SOUGHT:
            yield key, f"no such quantity; {did_you_mean(key, [*SOUGHT, OUTPUT, beside])}"
        elif not isinstance(text, str) or shown(text) is None:
            yield key, f'is {text!r}; write the digits as shown, "12.6", and leave out what shows none'
    if not set(table) - {beside, OUTPUT}:
        yield (
            "battery_voltage_V",
            "no quantity is given; write what the display showed, or leave the table out",
        )
    if dump.times_ms is None:
        number = table.get("line")
        if not isinstance(number, int) or isinstance(number, bool):
            yield "line", "is missing; the lines have no times, so give the line's number in the file, from 1"
        elif dump.index_of(number) is None:
            yield "line", f"no sound line is near line {number}; name another one"
        return
    if "time" not in table:
        yield "time", "is missing; say when the display was read"
        return
    try:
        time_ms = _time_ms(table["time"])
    except ValueError as fault:
        yield "time", str(fault)
        return
    if _index_of(time_ms, dump) is None:
        near = min(dump.times_ms, key=lambda moment: abs(moment - time_ms))
        told = datetime.fromtimestamp(near / 1000, UTC).isoformat().replace("+00:00", "Z")
        yield "time", f"{dump.absence} of this time; its nearest one is {told}"


def _index_of(time_ms: int, dump: Moments) -> int | None:
    """The snapshot of a time; dumps have whole seconds, so a fraction that a person noted is dropped."""
    index = dump.index_of(time_ms)
    return dump.index_of(time_ms // 1000 * 1000) if index is None else index


def _time_ms(time: object) -> int:
    return moment_ms(time.isoformat() if isinstance(time, datetime) else str(time))


def _beside(dump: Moments) -> str:
    """The key that says which snapshot a look lies beside."""
    return "line" if dump.times_ms is None else "time"


def _look(table: Mapping[str, object], dump: Moments) -> Look:
    """A table without faults."""
    beside = _beside(dump)
    index = (
        dump.index_of(int(str(table["line"])))
        if beside == "line"
        else _index_of(_time_ms(table["time"]), dump)
    )
    read = {key: shown(str(text)) for key, text in table.items() if key not in (beside, OUTPUT)}
    assert index is not None
    digits = {key: value for key, value in read.items() if value is not None}
    return Look(index, digits, table.get(OUTPUT) in ("off", "none"))
