"""Draws register maps in blocks: live values, set points, extremes, counters, history, what else there is.

The ordinary ones are what a careful maker of devices would lay out. The nasty ones add set points that equal
live values, today's extremes, mirrored blocks, raw converter counts, histories full of likely numbers, and
up to 2,000 registers. All shares are our choice.
"""

from __future__ import annotations

from random import Random

from simulator.maps.course import EXTREMES
from simulator.maps.habits import Habits, Writing, unit_of
from simulator.maps.layout import QUANTITIES, Field, Layout, RegisterMap
from simulator.maps.words import width

HIDDEN = (
    "charge_power_W",
    "load_power_W",
    "load_voltage_V",
    "sense_voltage_V",
    "midpoint_voltage_V",
    "air_temperature_C",
    "heat_sink_C",
    "duty_percent",
    "charge_stage",
    "load_on",
    "charge_today_Ah",
    "load_energy_today_Wh",
)
"""Live facts that no display shows."""

SET_POINTS = (
    "absorption_V",
    "float_V",
    "equalization_V",
    "disconnect_V",
    "reconnect_V",
    "rating_A",
    "capacity_Ah",
)
COUNTERS = (
    "energy_yesterday_Wh",
    "energy_month_Wh",
    "energy_year_Wh",
    "energy_total_Wh",
    "load_energy_total_Wh",
    "uptime_s",
)
COUNTS = {"V": 0.0317, "A": 0.0129, "°C": 0.161, "W": 0.73}
"""Volts, amperes, degrees, watts a raw converter count stands for: no decimal, our choice."""


class Maker:
    """One map being drawn."""

    def __init__(self, seed: int, nasty: bool) -> None:
        self.rng = Random(f"{seed}/{'nasty' if nasty else 'ordinary'} map")
        self.nasty = nasty
        self.habits = Habits(self.rng, nasty)
        self.layout = Layout()
        self.live_function = self.rng.choice((3, 3, 4, 4, 4))
        self.set_function = self.rng.choice((3, 3, self.live_function))
        self.spacing = self.rng.choice(("dense", "dense", "fillers", "pairs", "holes"))

    def draw(self) -> RegisterMap:
        rng = self.rng
        net = rng.choice(("battery_current_A", "controller_net_A"))
        sources = {q: net if q == "battery_current_A" else q for q in QUANTITIES}
        share = 0.72 if self.nasty else 0.82
        carried = [sources[q] for q in QUANTITIES if rng.random() < (0.96 if q == QUANTITIES[0] else share)]
        hidden = rng.sample(HIDDEN, rng.randint(2, 10 if self.nasty else 6))
        if QUANTITIES[0] not in carried:  # a voltage sensed at the bank is the bank's
            hidden = [fact for fact in hidden if fact != "sense_voltage_V"]
        apart = rng.random() < 0.5  # energy lives with the counters
        counters = [fact for fact in carried if apart and fact == "energy_today_Wh"]
        live = self._in_order([fact for fact in carried if fact not in counters] + hidden)
        pieces = [live] if rng.random() < 0.6 else [live[: len(live) // 2], live[len(live) // 2 :]]
        blocks = [(self.live_function, piece) for piece in pieces]
        blocks.append((self.set_function, list(SET_POINTS)))
        others = [*counters, *rng.sample(COUNTERS, rng.randint(2, len(COUNTERS)))]
        if rng.random() < 0.5:
            rng.shuffle(others)
        blocks.append((self.live_function, others))
        if self.nasty or rng.random() < 0.4:
            blocks.append((self.live_function, self._extremes()))
        if self.nasty and rng.random() < 0.5:
            blocks.append((self.set_function, ["absorption_set_V", "float_set_V"]))
        first, *rest = blocks
        rng.shuffle(rest)
        address = rng.choice((0, 1, 10, 100, 256, 0x0200, 0x1000, 0x3000, 0x3100, rng.randrange(0, 0xC000)))
        for function, facts in [first, *rest] if rng.random() < 0.7 else [*rest, first]:
            placed = self._block(function, address, facts)
            address = placed + rng.choice((0, 1, 4, 16, 100)) if rng.random() < 0.7 else (placed | 0xFF) + 1
        if self.nasty:
            self._nastiness(address)
        self._others(address)
        return self.layout.finished(sources, rng.choice((1, 8, 16, 24, 32, 64, 100, 125, 125)))

    def _in_order(self, facts: list[str]) -> list[str]:
        how = self.rng.choice(("listed", "shuffled", "by unit"))
        if how == "shuffled":
            self.rng.shuffle(facts)
        elif how == "by unit":
            facts.sort(key=unit_of)
        return facts

    def _extremes(self) -> list[str]:
        names = [
            f"{name}/{end} {day}"
            for name in EXTREMES
            for end in ("low", "high")
            for day in ("today", "yesterday")
        ]
        few = self.rng.sample(names, self.rng.randint(3, 16))
        return sorted(few, key=names.index) if self.rng.random() < 0.6 else few

    def _block(self, function: int, address: int, facts: list[str]) -> int:
        """Lay facts out from an address; the first address behind them."""
        for fact in facts:
            writing = self.habits.writing(fact)
            address = self._next_free(function, address, width(writing.encoding))
            if writing.encoding in ("s8lo", "u8lo") and self.layout.fields:
                address = self._join_half(function, address, fact, writing)
                continue
            self.layout.put(self.habits.field(fact, function, address, writing))
            address += width(writing.encoding)
            address = self._space(function, address)
        return address

    def _join_half(self, function: int, address: int, fact: str, writing: Writing) -> int:
        """A low half goes into the register whose high half came just before, else into its own."""
        last = self.layout.fields[-1]
        if last.encoding in ("u8hi", "s8hi") and last.function == function:
            address = last.address
        self.layout.put(self.habits.field(fact, function, address, writing))
        return address + 1

    def _space(self, function: int, address: int) -> int:
        chance = self.rng.random()
        if self.spacing == "pairs" and address % 2 and self.layout.free(function, address, 1):
            self.layout.fill(function, address, 0)
            return address + 1
        if self.spacing == "fillers" and chance < 0.35 and self.layout.free(function, address, 1):
            self.layout.fill(function, address, self.rng.choice((0, 0, 0, 0xFFFF, 0x7FFF)))
            return address + 1
        return address + self.rng.randint(1, 3) if self.spacing == "holes" and chance < 0.3 else address

    def _next_free(self, function: int, address: int, count: int) -> int:
        address %= 0xFF00
        while not self.layout.free(function, address, count):
            address = (address + 1) % 0xFF00
        return address

    def _nastiness(self, address: int) -> None:
        rng = self.rng
        live = [field for field in self.layout.fields if field.fact in (*QUANTITIES, "controller_net_A")]
        if rng.random() < 0.4:  # the live values once more, elsewhere
            function = rng.choice((3, 4))
            shift = rng.choice((200, 500, 1000))
            for field in live:
                place = (field.address + shift) % 0xFE00
                if self.layout.free(function, place, width(field.encoding)):
                    self.layout.put(_moved(field, function, place))
        if rng.random() < 0.6:  # raw converter counts
            for field in rng.sample(live, min(len(live), rng.randint(2, 6))):
                scale = COUNTS.get(unit_of(field.fact))
                if scale is not None:
                    address = self._next_free(self.live_function, address, 1)
                    self.layout.hint(
                        Field(field.fact, self.live_function, address, "s16", None, scale, cut=True)
                    )
        if rng.random() < 0.6:
            self._history(address + 40)

    def _history(self, address: int) -> None:
        """Past days, each with its highest and lowest voltage and its energy."""
        rng, volts = self.rng, self.habits.writing("battery_voltage_V")
        scale = volts.scale if volts.encoding in ("u16", "s16") else 0.01
        cells = rng.choice((6, 12))
        for _ in range(rng.choice((14, 30, 60, 200))):
            words = [
                round(rng.uniform(1.95, 2.15) * cells / scale),
                round(rng.uniform(2.2, 2.45) * cells / scale),
                rng.randint(0, 3000),
            ]
            for word in words:
                address = self._next_free(self.set_function, address, 1)
                self.layout.fill(self.set_function, address, min(word, 0xFFFF))

    def _others(self, address: int) -> None:
        """Names, versions, clocks, zeros and settings without meaning to us."""
        rng = self.rng
        wanted = self.layout.size + rng.choice((10, 30, 80))
        if self.nasty:
            wanted = rng.choice((150, 300, 600, 1200, 2000))
        while self.layout.size < wanted:
            function = rng.choice((3, 4, self.set_function))
            address = self._next_free(function, address + rng.choice((0, 0, 1, 7, 50)), 1)
            kind = rng.choice(("zeros", "text", "small", "settings", "any", "marks"))
            for _ in range(rng.randint(2, 24)):
                address = self._next_free(function, address, 1)
                word = {
                    "zeros": 0,
                    "text": rng.randint(0x20, 0x7A) << 8 | rng.randint(0x20, 0x7A),
                    "small": rng.randint(0, 12),
                    "settings": rng.choice((1, 5, 10, 20, 50, 100, 120, 144, 1440, 200, 300, 500, 600, 1000)),
                    "any": rng.randrange(0x10000),
                    "marks": rng.choice((0xFFFF, 0x7FFF, 0x8000)),
                }[kind]
                self.layout.fill(function, address, word)
        if rng.random() < 0.4:
            self._block(self.set_function, address + 2, ["hour", "minute", "second"])


def _moved(field: Field, function: int, address: int) -> Field:
    return Field(
        field.fact,
        function,
        address,
        field.encoding,
        field.order,
        field.scale,
        field.offset,
        field.cut,
        field.negate,
    )


def draw_map(seed: int, nasty: bool) -> RegisterMap:
    """The map of a seed."""
    return Maker(seed, nasty).draw()
