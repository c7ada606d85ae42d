"""Draws maps of records: each quantity has a row of registers with value, mean, extremes, limits and codes.

Extremes and limits lie beside the live value here, in the same writing, so that nearness tells nothing. It
was written after `maker` and `scatter` and shares neither's layout. All shares are our choice.
"""

from __future__ import annotations

from random import Random

from simulator.maps.course import EXTREMES
from simulator.maps.habits import Habits, Writing, unit_of
from simulator.maps.layout import QUANTITIES, Field, Layout, RegisterMap
from simulator.maps.words import width

OTHERS = ("charge_power_W", "load_power_W", "midpoint_voltage_V", "air_temperature_C", "duty_percent")
SLOTS = ("value", "low", "high", "yesterday low", "yesterday high", "limit", "second limit", "code", "zero")


def draw_record_map(seed: int) -> RegisterMap:
    """The map of a seed. One record in eight has extremes and no value."""
    rng = Random(f"{seed}/record map")
    habits, layout = Habits(rng, nasty=False), Layout()
    net = rng.choice(("battery_current_A", "controller_net_A"))
    sources = {q: net if q == "battery_current_A" else q for q in QUANTITIES}
    facts = [fact for fact in sources.values() if rng.random() < 0.85]
    facts += rng.sample(OTHERS, rng.randint(0, 4))
    rng.shuffle(facts)
    slots = rng.sample(SLOTS, rng.randint(3, len(SLOTS)))
    if "value" not in slots:
        slots.insert(rng.randrange(3), "value")
    function = rng.choice((3, 4))
    start, stride = rng.randrange(0, 0x9000, 16), rng.choice((len(slots), 16, 20, 24))
    for number, fact in enumerate(facts):
        writing = habits.writing(fact)
        if len(writing.encoding) == 4:
            writing = Writing("s16", 1.0)
        step = width(writing.encoding)
        lacks = fact in EXTREMES and rng.random() < 0.125
        for place, slot in enumerate(slots):
            if slot == "value" and lacks:
                continue
            address = (
                start + step * (number * stride + place)
                if stride < 16
                else start + number * 32 + step * place
            )
            if layout.free(function, address, step):
                _slot(layout, rng, habits.field(fact, function, address, writing), slot)
    return layout.finished(sources, rng.choice((2, 10, 60, 125)))


def _slot(layout: Layout, rng: Random, field: Field, slot: str) -> None:
    """One register of a record, in the record's own writing."""
    days = {
        "low": "low today",
        "high": "high today",
        "yesterday low": "low yesterday",
        "yesterday high": "high yesterday",
    }
    if slot == "value":
        layout.put(field)
    elif slot in days and field.fact in EXTREMES:
        end = f"{field.fact}/{days[slot]}"
        layout.put(
            Field(
                end,
                field.function,
                field.address,
                field.encoding,
                field.order,
                field.scale,
                field.offset,
                field.cut,
            )
        )
    elif slot in ("limit", "second limit"):
        limits = {"V": (11, 30), "A": (5, 60), "W": (100, 1000), "°C": (-20, 85)}.get(
            unit_of(field.fact), (0, 100)
        )
        count = round((rng.randint(*limits) - field.offset) / field.scale) % 0x10000
        layout.fill(field.function, field.address, count)
    else:
        layout.fill(field.function, field.address, 0 if slot == "zero" else rng.randint(0, 9))
