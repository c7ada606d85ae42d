"""Drawn lines of text: a device with a seed's own separator, form, checksum, kinds of line, fields and
scales, over a day of the simulated supply, and what its display shows beside them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from random import Random

from monitor.devices.textline import crc16, xor_of
from simulator.faults import BYTE_KINDS, spoil
from simulator.maps.case import Case, draw_case, iso
from simulator.maps.course import Moment
from simulator.maps.layout import QUANTITIES

OTHERS = (
    "battery_voltage_V/high today",
    "battery_voltage_V/low today",
    "array_power_W/high today",
    "charge_current_A/high today",
    "absorption_V",
    "float_V",
    "disconnect_V",
    "rating_A",
    "heat_sink_C",
    "air_temperature_C",
    "duty_percent",
    "load_voltage_V",
    "uptime_s",
    "hour",
    "minute",
    "second",
    "array_voltage_V/high today",
    "load_current_A/high today",
    "battery_temperature_C/low today",
    "energy_month_Wh",
    "energy_total_Wh",
    "load_energy_today_Wh",
    "charge_power_W",
    "load_power_W",
    "controller_net_A",
    "sense_voltage_V",
    "midpoint_voltage_V",
    "capacity_Ah",
    "charge_stage",
)
STAGES = ("OFF", "BULK", "ABS", "FLOAT", "EQUAL")
ODDITIES = ("no probe", "last separator", "aligned", "banner")
BEFORE, AFTER = 4, 3
"""So many lines of each kind, a second apart, come before a look and behind it."""


@dataclass(frozen=True, slots=True)
class DrawnField:
    """A number in a line of one kind: fact / scale with so many decimals."""

    kind: str
    name: str | int
    fact: str
    scale: float
    decimals: int

    def text(self, facts: Mapping[str, float]) -> str:
        """What stands in the line; a stage is told by a word, a clock as such."""
        if self.fact == "stage":
            return STAGES[round(facts["charge_stage"])]
        if self.fact == "clock":
            return f"{facts['hour']:02.0f}:{facts['minute']:02.0f}:{facts['second']:02.0f}"
        return f"{facts[self.fact] / self.scale:.{self.decimals}f}"


@dataclass(frozen=True, slots=True)
class LineCase:
    """The form as the profile would say it, and the case behind it. kinds are the words in the first column,
    '' where there is none.
    """

    case: Case
    form: str
    start: str
    separator: str
    checksum: str
    kinds: tuple[str, ...]
    fields: tuple[DrawnField, ...]
    timed: bool
    oddities: frozenset[str]

    @property
    def carried(self) -> dict[str, DrawnField]:
        """The field of each quantity that the lines give."""
        net = self.case.display.net_fact
        own = {field.fact: field for field in self.fields}
        gone = {"battery_temperature_C"} if "no probe" in self.oddities else set()
        said = {q: net if q == "battery_current_A" else q for q in QUANTITIES if q not in gone}
        return {q: own[fact] for q, fact in said.items() if fact in own}

    def line(self, kind: str, facts: Mapping[str, float]) -> bytes:
        """The line of a kind that says what is true, without line end."""
        own = {f.name: f.text(facts) for f in self.fields if f.kind == kind}
        if "no probe" in self.oddities:
            own |= {f.name: "--" for f in self.fields if f.kind == kind and f.fact == "battery_temperature_C"}
        if self.form == "pairs":
            body = self.separator.join(f"{name}={text}" for name, text in own.items())
        else:
            width = 9 if "aligned" in self.oddities else 0
            body = self.separator.join(
                (*([kind] if kind else []), *(f"{one:>{width}}" for one in own.values()))
            )
        body += self.separator if "last separator" in self.oddities else ""
        data = body.encode()
        check = {"none": "", "xor": f"*{xor_of(data):02X}", "crc16": f"*{crc16(data):04X}"}[self.checksum]
        return self.start.encode() + data + check.encode()

    def write(self, folder: Path, looks: int, spoilt: float = 0.0) -> tuple[Path, Path]:
        """Capture and looks as a person hands them in: some seconds of lines around each look, a share of
        them damaged in one of the ways of a bad line.
        """
        capture, seen = folder / "lines.txt", folder / "seen.toml"
        rng = Random(f"{self.case.seed}/spoil")
        rows = [b"READY v1.2", b""] if "banner" in self.oddities else []
        beside: dict[int, int] = {}
        last = self.case.moments[looks - 1].time_ms
        every = [*self.case.moments[:looks], *(m for m in self.case.extra if m.time_ms < last)]
        for moment in sorted(every, key=lambda one: one.time_ms):
            for time_ms, kind, facts in self._around(moment):
                line = self.line(kind, facts)
                if rng.random() < spoilt:
                    line = spoil(rng.choice(BYTE_KINDS), line, rng).replace(b"\n", b"\r").replace(b"\0", b"?")
                    line = line.replace(b"\r", b"?")
                rows.append((iso(time_ms).encode() + b" " if self.timed else b"") + line)
                if time_ms == moment.time_ms:
                    beside[moment.time_ms] = len(rows)
        capture.write_bytes(b"\r\n".join(rows) + b"\r\n")
        tables = []
        for time_ms, shown in self.case.seen(looks):
            where = f'time = "{iso(time_ms)}"' if self.timed else f"line = {beside[time_ms]}"
            digits = [f'{quantity} = "{text}"' for quantity, text in shown.items()]
            tables.append("\n".join(["[[seen]]", where, *digits, ""]))
        seen.write_text("\n".join(tables), encoding="utf-8")
        return capture, seen

    def _around(self, moment: Moment) -> Iterator[tuple[int, str, Mapping[str, float]]]:
        for second in range(-BEFORE, AFTER + 1):
            for kind in self.kinds:
                yield moment.time_ms + 1000 * second, kind, moment.before if second < -1 else moment.now


def draw_lines(seed: int, checksum: str | None = None) -> LineCase:
    """The device of a seed; checksum None draws one."""
    rng = Random(f"{seed}/lines")
    case = draw_case(seed, "ordinary", 3)
    net = case.display.net_fact
    facts = [net if q == "battery_current_A" else q for q in QUANTITIES if rng.random() < 0.75]
    facts = list(dict.fromkeys([*facts, *rng.sample(OTHERS, rng.randint(2, 10))]))
    facts += [fact for fact in ("stage", "clock") if rng.random() < 0.3]
    if rng.random() < 0.5:
        rng.shuffle(facts)
    form = rng.choice(("pairs", "columns"))
    start = rng.choice(("", "$", "!"))
    thousandths = rng.random() < 0.3
    names = rng.sample([f"{a}{b}" for a in "ABCDEFGHKLMNPRSTUVWXYZ" for b in ("", "1", "2", "x")], len(facts))
    kinds = [""]
    if form == "columns" and start:
        kinds = ["PWR"] if rng.random() < 0.6 else ["PWA", "PWB"]
    split = rng.randint(2, len(facts) - 2) if len(kinds) > 1 else len(facts)
    fields = []
    for number, fact in enumerate(facts):
        kind = kinds[number >= split]
        name: str | int = names[number]
        if form == "columns":
            name = number - (split if number >= split else 0) + bool(start)
        unit = fact.partition("/")[0].rpartition("_")[2]
        if thousandths and unit in ("V", "A"):
            fields.append(DrawnField(kind, name, fact, 0.001, 0))
        else:
            places = {"V": (1, 2), "A": (1, 2, 3), "W": (0, 1), "C": (0, 1), "Wh": (0,)}.get(unit, (0,))
            fields.append(DrawnField(kind, name, fact, 1.0, rng.choice(places)))
    separator = rng.choice((",", ";", " ", "|", "\t", ", "))
    checked = checksum or rng.choice(("none", "xor", "crc16"))
    timed, odd = rng.random() < 0.75, frozenset(one for one in ODDITIES if rng.random() < 0.15)
    return LineCase(case, form, start, separator, checked, tuple(kinds), tuple(fields), timed, odd)


def says_the_same(drawn: LineCase, quantity: str, entry: Mapping[str, object]) -> bool:
    """Whether a found field says what the quantity's own does, at the looks and all through the next day; a
    display without sign leaves the sign open.
    """
    truth = drawn.carried[quantity]
    name = entry.get("key", entry.get("column"))
    kind = dict(entry["only_where"] or {}).get("0", "")  # type: ignore[call-overload]
    found = next((f for f in drawn.fields if (f.kind, f.name) == (kind, name)), None)
    if found is None or not isinstance(scale := entry["scale"], float):
        return False
    for moment in (*drawn.case.moments, *drawn.case.later):
        value = moment.now[found.fact] / found.scale * scale + float(str(entry["offset"]))
        slack = 0.5 * 10**-truth.decimals * truth.scale + 0.5 * 10**-found.decimals * abs(scale)
        true = moment.now[truth.fact]
        if min(abs(value - true), abs(value + true)) > slack + 1e-6:
            return False
    return True
