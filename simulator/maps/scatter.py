"""Draws maps of other habits: fields strewn over the addresses, no two of a unit alike, pages by unit.

It shares no layout with `maker`: whoever finds maps by that one's habits fails here. All shares are our
choice.
"""

from __future__ import annotations

from random import Random

from simulator.maps.course import EXTREMES
from simulator.maps.habits import COLD_OFFSETS, unit_of
from simulator.maps.layout import QUANTITIES, Field, Layout, RegisterMap
from simulator.maps.words import Encoding, WordOrder, width

OTHERS = (
    "charge_power_W",
    "load_power_W",
    "load_voltage_V",
    "heat_sink_C",
    "air_temperature_C",
    "absorption_V",
    "float_V",
    "absorption_set_V",
    "float_set_V",
    "disconnect_V",
    "energy_total_Wh",
    "energy_yesterday_Wh",
    "charge_today_Ah",
    "charge_stage",
    "uptime_s",
    "second",
    "minute",
)
WAYS: dict[str, tuple[tuple[Encoding, float, float], ...]] = {
    "V": (
        ("u16", 0.01, 0),
        ("u16", 0.1, 0),
        ("u32", 0.001, 0),
        ("f32", 1, 0),
        ("s16", 0.01, 0),
        ("s32", 0.01, 0),
    ),
    "A": (("s16", 0.01, 0), ("s16", 0.1, 0), ("s32", 0.001, 0), ("f32", 1, 0)),
    "W": (("u16", 1, 0), ("u32", 0.01, 0), ("u32", 0.001, 0), ("f32", 1, 0), ("s32", 0.1, 0)),
    "°C": (("s16", 0.1, 0), ("s16", 1, 0), ("f32", 1, 0), ("s8hi", 1, 0), ("u8hi", 1, -40), ("s8lo", 1, 0)),
    "Wh": (("u32", 1, 0), ("u16", 10, 0), ("f32", 1, 0), ("u32", 0.1, 0), ("f32", 1000, 0)),
    "%": (("u16", 1, 0), ("u8lo", 1, 0), ("u8hi", 1, 0), ("u16", 0.1, 0), ("f32", 1, 0), ("u16", 0.01, 0)),
    "": (("u16", 1, 0), ("u32", 1, 0)),
}


def draw_scattered_map(seed: int) -> RegisterMap:
    """The map of a seed; half of them hold today's extremes, a third mirror some fields."""
    rng = Random(f"{seed}/scattered map")
    layout = Layout()
    net = rng.choice(("battery_current_A", "controller_net_A"))
    sources = {q: net if q == "battery_current_A" else q for q in QUANTITIES}
    facts = [fact for fact in sources.values() if rng.random() < 0.75]
    facts += rng.sample(OTHERS, rng.randint(3, len(OTHERS)))
    if rng.random() < 0.5:
        ends = [f"{name}/{end} today" for name in EXTREMES for end in ("low", "high")]
        facts += rng.sample(ends, rng.randint(2, 8))
    if rng.random() < 0.33:
        facts += rng.sample(facts, 3)
    strewing = rng.choice(("pages", "anywhere", "close"))
    order: WordOrder = rng.choice(("high_first", "low_first"))
    cut = rng.random() < 0.5
    pages = {unit: rng.randrange(0, 0x80) * 0x100 for unit in WAYS}
    start = rng.randrange(0, 0x8000)
    for fact in facts:
        encoding, scale, offset = rng.choice(WAYS[unit_of(fact)])
        if encoding == "s16" and unit_of(fact) == "°C" and rng.random() < 0.2:
            encoding, offset = "u16", rng.choice(COLD_OFFSETS)
        if fact.endswith(("total_Wh", "_s")) and encoding != "f32":
            encoding, scale = "u32", 1
        function = rng.choice((3, 4)) if strewing == "anywhere" else 3 + seed % 2
        first = {"pages": pages[unit_of(fact)], "anywhere": 0, "close": start}[strewing]
        reach = {"pages": 40, "anywhere": 900, "close": 120}[strewing]
        address = first + rng.randrange(reach)
        while not layout.free(function, address, width(encoding)):
            address = (address + 1) % 0xFF00
        own = order if width(encoding) == 2 else None
        layout.put(Field(fact, function, address, encoding, own, scale, offset, cut, negate=False))
    _rest(layout, rng, rng.choice((40, 150, 500)))
    return layout.finished(sources, rng.choice((4, 20, 50, 125)))


def _rest(layout: Layout, rng: Random, count: int) -> None:
    """Settings, zeros and numbers of any kind between the fields and behind them."""
    spots = [field.places[0] for field in layout.fields]
    for _ in range(count):
        function, near = rng.choice(spots)
        address = (near + rng.randint(1, 30)) % 0xFF00
        if layout.free(function, address, 1):
            word = rng.choice((0, 0, 0, rng.randint(1, 20), rng.randint(20, 2000), rng.randrange(0x10000)))
            layout.fill(function, address, word)
