"""Drawn maps of another make than `simulator.maps`: groups by part of the system, extremes beside live
values, decoys that a display does not show, set points that equal a live value.

It judges what was found with the simulator's maps in view. All shares are our choice.
"""

from __future__ import annotations

from random import Random

from simulator.maps.case import Case
from simulator.maps.course import DAY_MS, EXTREMES, Moment
from simulator.maps.display import Display
from simulator.maps.habits import unit_of
from simulator.maps.layout import QUANTITIES, Field, Layout, RegisterMap
from simulator.maps.words import Encoding, WordOrder, width
from tests.maps.other_course import OtherCourse

MINUTE_MS = 60_000
PARTS = (
    ("battery_voltage_V", "battery_current_A", "battery_temperature_C", "state_of_charge_percent"),
    ("array_voltage_V", "array_current_A", "array_power_W"),
    ("charge_current_A", "charge_power_W", "controller_temperature_C", "heat_sink_C", "duty_percent"),
    ("load_voltage_V", "load_current_A", "load_power_W"),
    ("energy_today_Wh", "load_energy_today_Wh", "charge_today_Ah"),
    ("energy_total_Wh", "energy_month_Wh", "energy_year_Wh", "energy_yesterday_Wh", "load_energy_total_Wh"),
)
SMALL: tuple[tuple[Encoding, float], ...] = (("s16", 0.01), ("s16", 0.1), ("s32", 0.001), ("f32", 1.0))
WAYS: dict[str, tuple[tuple[Encoding, float], ...]] = {
    "V": (("u16", 0.01), ("u16", 0.1), ("u16", 0.01), ("u32", 0.001), ("f32", 1.0), ("s16", 0.05)),
    "A": SMALL,
    "W": (("u16", 1.0), ("u32", 0.1), ("s16", 1.0), ("u32", 0.001), ("f32", 1.0)),
    "°C": (("s16", 0.1), ("s16", 1.0), ("s16", 0.01), ("f32", 1.0), ("s8lo", 1.0), ("u8hi", 1.0)),
    "Wh": (("u16", 1.0), ("u16", 10.0), ("u32", 1.0), ("u32", 0.1), ("f32", 1000.0)),
    "%": (("u16", 1.0), ("u16", 0.1), ("u8hi", 1.0), ("f32", 1.0)),
    "": (("u16", 1.0), ("u32", 1.0)),
}
COUNT = {"V": 0.0213, "A": 0.0171, "°C": 0.137, "W": 0.61, "Wh": 1.9, "%": 0.39}


def draw_other_case(seed: int, nasty: bool, readings: int = 3) -> Case:
    """The case of a seed: looks some hours apart in three of five, minutes apart in the others."""
    rng = Random(f"{seed}/other {'nasty' if nasty else 'ordinary'}")
    course = OtherCourse(seed)
    net = rng.choice(("battery_current_A", "controller_net_A"))
    first = rng.uniform(6.5, 20) * 60
    gaps = (45, 300) if rng.random() < 0.6 else rng.choice(((1, 4), (5, 25)))
    times = [first]
    while len(times) < readings:
        times.append(times[-1] + rng.uniform(*gaps))
    times = [time - max(0.0, times[-1] - 23.5 * 60) for time in times]
    extra = sorted(rng.uniform(times[0], times[-1]) for _ in range(rng.choice((0, 0, 0, 0, 3))))
    moments = tuple(course.at(course.day_ms + round(time * MINUTE_MS)) for time in times)
    between = tuple(course.at(course.day_ms + round(time * MINUTE_MS)) for time in extra)
    later = tuple(course.at(course.day_ms + DAY_MS + hour * 60 * MINUTE_MS + 7) for hour in range(24))
    made = _draw_map(rng, nasty, net, moments)
    steps = {name: 0.1 for name in QUANTITIES if name == QUANTITIES[0] or rng.random() < 0.9}
    steps |= {name: 1 for name in ("state_of_charge_percent", "energy_today_Wh") if name in steps}
    if "array_power_W" in steps:
        steps["array_power_W"] = rng.choice((1, 1, 0.1))
    display = Display(steps, net, rng.random() < 0.5, rng.random() < 0.5, rng.random() < 0.15)
    return Case(seed, made, display, moments, between, later)


def _draw_map(rng: Random, nasty: bool, net: str, moments: tuple[Moment, ...]) -> RegisterMap:
    layout = Layout()
    pen = _Pen(rng, layout)
    sources = {name: net if name == "battery_current_A" else name for name in QUANTITIES}
    absent = {sources[name] for name in QUANTITIES if rng.random() < 0.16}
    parts = [[sources.get(fact, fact) for fact in part if rng.random() < 0.9] for part in PARTS]
    parts = [[fact for fact in part if fact not in absent] for part in parts]
    rng.shuffle(parts)
    beside = rng.random() < 0.35 or nasty
    for part in parts:
        if rng.random() < 0.4:
            rng.shuffle(part)
        for fact in part:
            pen.write(fact)
            if beside and fact in EXTREMES and rng.random() < 0.5:
                for end in rng.sample(("low today", "high today", "high yesterday"), rng.randint(1, 2)):
                    pen.write(f"{fact}/{end}")
        pen.turn_page()
    if rng.random() < 0.4 or nasty:  # extremes of what the map may not carry itself
        ends = [f"{fact}/{end} today" for fact in EXTREMES for end in ("low", "high")]
        for end in rng.sample(ends, rng.randint(2, 12)):
            pen.write(end)
        pen.turn_page()
    _set_points(rng, pen, moments, nasty)
    if nasty:
        _nastiness(rng, pen, layout)
    _rest(rng, pen, rng.choice((150, 400, 900, 2000)) if nasty else rng.choice((10, 40, 120)))
    return layout.finished(sources, rng.choice((8, 32, 125)))


class _Pen:
    """Writes fields one behind the other, in one device's manner."""

    def __init__(self, rng: Random, layout: Layout) -> None:
        self.rng, self.layout = rng, layout
        self.function = rng.choice((3, 4))
        self.address = rng.choice((0, 1, 40, 300, 1000, rng.randrange(0x8000)))
        self.order: WordOrder = rng.choice(("high_first", "low_first"))
        self.cut = rng.random() < 0.5
        self.loose = rng.choice((0.0, 0.0, 0.2))
        self.page = rng.choice((1, 1, 8, 32, 100))
        wide = rng.random() < 0.2  # all in two registers
        self.ways = {
            unit: rng.choice([way for way in ways if not wide or width(way[0]) == 2] or list(ways))
            for unit, ways in WAYS.items()
        }
        self.cold = rng.choice((-40.0, -40.0, -50.0, -100.0))

    def write(self, fact: str, scale: float | None = None) -> None:
        encoding, own = self.ways[unit_of(fact)]
        if self.rng.random() < 0.08:
            encoding, own = self.rng.choice(WAYS[unit_of(fact)])
        if fact.split("/")[0].endswith(("total_Wh", "year_Wh", "month_Wh", "_s")):
            encoding, own = "u32", 1.0
        if unit_of(fact) == "Wh" and encoding == "f32":
            own = 1000.0
        if scale is not None:
            encoding, own = "s16", scale
        offset = self.cold if encoding[:2] == "u8" and unit_of(fact) == "°C" else 0.0
        self._free(width(encoding))
        order = self.order if width(encoding) == 2 else None
        field = Field(fact, self.function, self.address, encoding, order, own, offset, self.cut)
        if scale is None:
            self.layout.put(field)
        else:
            self.layout.hint(field)
        self.address += width(encoding) + (self.rng.random() < self.loose)

    def fill(self, word: int) -> None:
        self._free(1)
        self.layout.fill(self.function, self.address, word & 0xFFFF)
        self.address += 1

    def turn_page(self) -> None:
        self.address = -(-self.address // self.page) * self.page

    def _free(self, count: int) -> None:
        self.address %= 0xFF00
        while not self.layout.free(self.function, self.address, count):
            self.address = (self.address + 1) % 0xFF00


def _set_points(rng: Random, pen: _Pen, moments: tuple[Moment, ...], nasty: bool) -> None:
    """Voltages that stand still; in a nasty map some equal what is live at a look, and one drifts."""
    _, scale = pen.ways["V"]
    scale = scale if scale < 1 else 0.01
    bank_V = [moment.now["battery_voltage_V"] for moment in moments]
    volts = [round(rng.uniform(0.85, 1.2) * bank_V[0], 1) for _ in range(rng.randint(3, 8))]
    if nasty:
        volts += rng.sample(bank_V, min(2, len(bank_V)))
        for name in rng.sample(QUANTITIES, 4):
            way = pen.ways[unit_of(name)]
            if way[0] in ("u16", "s16"):
                pen.fill(round(moments[0].now[name] / way[1]))
    for value in volts:
        pen.fill(round(value / scale))
    if nasty and rng.random() < 0.5:
        pen.write("absorption_set_V")
    pen.turn_page()


def _nastiness(rng: Random, pen: _Pen, layout: Layout) -> None:
    live = [field for field in layout.fields if field.fact in (*QUANTITIES, "controller_net_A")]
    if rng.random() < 0.4:
        shift = rng.choice((64, 250, 1500))
        for one in live:
            place = (one.address + shift) % 0xFE00
            if layout.free(one.function, place, width(one.encoding)):
                where = (one.function, place, one.encoding, one.order, one.scale, one.offset, one.cut)
                layout.put(Field(one.fact, *where))
    if rng.random() < 0.7:
        for name in rng.sample(QUANTITIES, 4):
            pen.write(name, COUNT[unit_of(name)])


def _rest(rng: Random, pen: _Pen, count: int) -> None:
    """Clocks, settings, names, zeros."""
    if rng.random() < 0.6:
        pen.write("uptime_s")
        pen.write("minute")
    for _ in range(count):
        if rng.random() < 0.1:
            pen.address += rng.randint(1, 60)
        pen.fill(rng.choice((0, 0, 1, rng.randint(2, 60), rng.randint(60, 3000), rng.randrange(0x10000))))
