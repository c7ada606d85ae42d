"""Banks of other physics (`tests/banks`) run empty in the evening, and when the rule on the supply speaks.

    python -m tests.bench.supply_ends [--seeds 1-40]

Each seed draws a bank, its size and air, a steady load, a fridge, a pump that starts now and then, meters.
The controller's disconnect waits a minute below its voltage, as most do (30 to 60 s: from memory). Printed is
how long before it the alarm came: soon enough to halt, late enough not to cost hours. Where the pump alone
holds the voltage down for that minute nobody can foresee it; these are counted apart. Beside it the other
half: evenings on which the loads stop before, where an alarm is one too many.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from monitor.alarms import engine
from monitor.alarms.rule import Rule
from monitor.alarms.rules import rules_of
from monitor.alarms.seen import Seen
from monitor.alarms.shipped import SUPPLY_ENDS
from monitor.alarms.signs import VOLTAGE, disconnect_margin
from monitor.alarms.supply import COURSE_MIN, SupplyCourse, supply_margin
from monitor.bank.description import describe_site
from monitor.records import AlarmState
from monitor.site.load import load_site, with_defaults
from monitor.site.model import Site
from tests.banks.library import circuit, generic, iron, wells
from tests.banks.model import BankModel
from tests.bench.figures import accuracy, hand_over
from tests.unit.site_files import changed, write

POLL_S, DISCONNECT_WAITS_S = 5, 60
LONGEST_H, AFTER_H = 30, 10
"""An evening with loads lasts so long at most, and so long the night after they have stopped."""

KINDS = ("circuit", "wells", "generic", "iron")
LITHIUM = (
    'bank.chemistry = "lifepo4"', "bank.unit_voltage_V = 12.8", "bank.units_in_series = 1",
    "controller.absorption_V = 14.2", "controller.float_V = 13.5", "controller.disconnect_V = 12.0",
    "controller.reconnect_V = 12.8", "controller.temperature_compensation_V_per_C = 0",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Evening:
    """One drawn evening: what hangs on which bank, how its meter reads, when the loads stop (None: never)."""

    kind: str
    bank: BankModel
    step_V: float
    noise_V: float
    steady_W: float
    pump_W: float
    stops_V: float | None


@dataclass(frozen=True, slots=True)
class Told:
    """When the alarm came and when the loads were cut off, in seconds; None: not at all. by_pump: only the
    pump's own pull has done it."""

    alarm_s: float | None
    near_s: float | None
    cut_s: float | None
    by_pump: bool

    def lead_min(self, alarm_s: float | None) -> float | None:
        """Minutes from an alarm to the cut; None without either."""
        return None if alarm_s is None or self.cut_s is None else (self.cut_s - alarm_s) / 60


@dataclass(slots=True)
class Followed:
    """A rule as it goes through the night, and since when its alarm stands."""

    rule: Rule
    state: AlarmState
    since_s: float | None = None

    @classmethod
    def of(cls, site: Site, name: str) -> Followed:
        rule = next(rule for rule in rules_of(site) if rule.name == name)
        return cls(rule, engine.first_state(rule.name, rule.priority, 0))

    def judge(self, at_s: float, seen: Seen | None) -> None:
        if seen is None:
            return
        at_ms = round(at_s * 1000)
        verdict = self.rule.verdict(at_ms, seen.value, seen.words, seen.values)
        if not seen.applies:
            verdict = engine.Verdict(at_ms, seen.value, False, True)
        self.state, cause = engine.judge(self.rule, self.state, verdict)
        if cause is not None:
            self.since_s = at_s if cause == "raised" else None


def drawn(seed: int, *, stops: bool) -> tuple[Evening, tuple[str, ...]]:
    """A seed's evening and the lines of its site file."""
    rng = Random(f"supply {seed}")
    kind, name = KINDS[seed % len(KINDS)], f"supply {seed}"
    capacity_Ah = rng.uniform(60, 450)
    air_C, soc = rng.uniform(-5, 30), rng.uniform(0.25, 0.45)
    bank = {
        "circuit": circuit(name, capacity_Ah, 6, soc, air_C),
        "wells": wells(name, "flooded", capacity_Ah, 6, soc, air_C),
        "generic": generic(name, capacity_Ah, 6, soc, air_C),
        "iron": iron(name, capacity_Ah, 4, soc, air_C),
    }[kind]()
    step_V, noise_V = rng.choice([(0.01, 0.005), (0.01, 0.02), (0.1, 0.02)])
    disconnect_V = rng.choice([11.1, 11.4, 11.7])
    lines: tuple[str, ...] = (f"controller.disconnect_V = {disconnect_V}", "controller.reconnect_V = 12.6")
    if kind == "iron":
        lines, disconnect_V = LITHIUM, 12.0
    lines = (*lines, f"meters.voltage_step_V = {step_V}", f"bank.unit_capacity_Ah = {capacity_Ah / 2:.0f}")
    steady_W = 12 * capacity_Ah / rng.uniform(15, 60)
    stops_V = disconnect_V + 0.35 + rng.uniform(0, 0.3) if stops else None
    return Evening(kind, bank, step_V, noise_V, steady_W, rng.uniform(1, 3) * steady_W, stops_V), lines


def site_of(lines: tuple[str, ...], folder: Path) -> Site:
    site, _ = with_defaults(load_site(write(folder, changed(*lines, more="\n[computer]\nhalt = true\n"))))
    return site


def play(evening: Evening, site: Site, rng: Random) -> Told:
    """Poll by poll through the night, until the loads are cut off or LONGEST_H are over."""
    ends, near = Followed.of(site, SUPPLY_ENDS), Followed.of(site, "Near the disconnect")
    course, bank, described = SupplyCourse(), evening.bank, describe_site(site)
    assert site.supply_ends_V is not None
    below_s, cut_s, on = 0.0, None, True
    pump_until_s, looked_min, end_s = -1.0, -1, LONGEST_H * 3600
    for at in range(0, LONGEST_H * 3600, POLL_S):
        if at % 900 == 0 and rng.random() < 0.5:
            pump_until_s = at + rng.uniform(5, 90)
        power_W = evening.steady_W * (1.6 if at % 1800 < 700 else 1.0) if on else 2.0
        pump_W = evening.pump_W if on and at < pump_until_s else 0.0
        without_V = bank.voltage_V(-power_W / 12)
        volts = bank.voltage_V(-(power_W + pump_W) / 12)
        bank.step(-(power_W + pump_W) / 12, POLL_S / 3600, bank.temperature_C)
        read_V = round((volts + rng.gauss(0, evening.noise_V)) / evening.step_V) * evening.step_V
        course.take(at * 1000, read_V)
        near.judge(at, disconnect_margin(described, {VOLTAGE: read_V}))
        if at // 60 != looked_min:
            looked_min = at // 60
            ends.judge(at, supply_margin(course, site, {}, at * 1000))
        below_s = below_s + POLL_S if volts < site.supply_ends_V else 0.0
        if below_s >= DISCONNECT_WAITS_S:
            cut_s = float(at)
            break
        if on and evening.stops_V is not None and volts < evening.stops_V:
            on, end_s = False, at + AFTER_H * 3600
        if at >= end_s:
            break
    by_pump = cut_s is not None and without_V >= site.supply_ends_V
    return Told(ends.since_s, near.since_s, cut_s, by_pump)


@dataclass(slots=True)
class Tally:
    """What became of the evenings. leads: minutes from the alarm to the disconnect; near_leads: the same of
    the alarm 'Near the disconnect', which every site has."""

    leads: list[float] = field(default_factory=list)
    near_leads: list[float] = field(default_factory=list)
    near_missed: int = 0
    missed: list[int] = field(default_factory=list)
    pulled: int = 0
    evenings: int = 0
    one_too_many: int = 0

    def take(self, seed: int, told: Told) -> None:
        """An evening that ended in a disconnect."""
        near_min, lead_min = told.lead_min(told.near_s), told.lead_min(told.alarm_s)
        if near_min is None:
            self.near_missed += 1
        else:
            self.near_leads.append(near_min)
        if lead_min is not None:
            self.leads.append(lead_min)
        elif told.by_pump:
            self.pulled += 1
        else:
            self.missed.append(seed)

    def words(self, first: int, last: int) -> str:
        leads, near = sorted(self.leads), sorted(self.near_leads)
        middle, early = leads[len(leads) // 2], leads[int(0.95 * len(leads))]
        cuts = len(leads) + len(self.missed)
        return (
            f"seeds {first} to {last}: {cuts} disconnects, without the alarm: {self.missed or 'none'}\n"
            f"  alarm before it: least {leads[0]:.0f} min, middle {middle:.0f}, 95 % within {early:.0f}\n"
            f"  {self.pulled} more disconnects by the pump's own pull, without the alarm\n"
            f"  'Near the disconnect' before {len(near)} of all {len(near) + self.near_missed} disconnects,"
            f" least {near[0]:.0f} min, middle {near[len(near) // 2]:.0f}\n"
            f"  {self.evenings} evenings without a disconnect, {self.one_too_many} of them with an alarm"
        )


def campaign(seeds: Iterable[int]) -> Tally:
    """Both evenings of each seed."""
    tally = Tally()
    with TemporaryDirectory() as name:
        for seed in seeds:
            for stops in (False, True):
                evening, lines = drawn(seed, stops=stops)
                told = play(evening, site_of(lines, Path(name)), Random(seed))
                if told.cut_s is None:
                    tally.evenings += 1
                    tally.one_too_many += told.alarm_s is not None
                elif told.cut_s >= 60 * COURSE_MIN:  # else it begins at its end: nobody can foresee that
                    tally.take(seed, told)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default="1-40")
    first, last = map(int, parser.parse_args().seeds.split("-"))
    tally = campaign(range(first, last + 1))
    print(tally.words(first, last))
    banks = "banks of other physics that run empty"
    hand_over(
        accuracy(
            "disconnects that could be foreseen, without the alarm", len(tally.missed), "", banks, at_most=0
        ),
        accuracy(
            "evenings without a disconnect, with an alarm", tally.one_too_many, f"of {tally.evenings}", banks
        ),
        accuracy("from the alarm to the disconnect, least", min(tally.leads), "min", banks),
    )


if __name__ == "__main__":
    main()
