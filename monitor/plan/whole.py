"""One plan: a load on a bank under an array, how long the bank lasts, and what it should be. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.plan import nature, sizing
from monitor.plan.steps import Step, Wish, array_steps, bank_steps, load_steps
from monitor.plan.sunlight import Month
from monitor.plan.system import System, nights

TOO_COLD = "it is colder than what is published"


@dataclass(frozen=True, slots=True)
class Week:
    """The outlook's next days: the bank's charge now, and the middle of what the array gives a day into the
    bank [Ah], None without an array."""

    soc: float
    gives_Ah: float | None
    days: int


@dataclass(frozen=True, slots=True)
class Lasting:
    """How long the bank lasts down to its reserve; nights is None where the array keeps up or nothing tells
    it."""

    name: str
    title: str
    nights: float | None
    keeps_up: bool
    words: str


@dataclass(frozen=True, slots=True)
class Plan:
    """A load [Wh a day at the bank] and what becomes of it."""

    load_Wh: float
    load_Ah: float
    capacity_Ah: float
    lasting: tuple[Lasting, ...]
    steps: tuple[Step, ...]


def plan_of(
    system: System, load_Wh: float, wish: Wish, sun: Month | None, week: Week | None, why_no_week: str
) -> Plan:
    """The plan of a system under a load. sun is the month that decides, None without an array; week None with
    the reason where there is no outlook."""
    load_Ah = sizing.load_Ah(load_Wh, system.bank_V)
    lasting = list(lasting_of(system, load_Wh, week, why_no_week))
    steps = [*load_steps(load_Wh, system.bank_V), *bank_steps(system, load_Ah, wish)]
    if sun is not None and system.string_A is not None:
        lasting.append(_design_month(system, drawn_a_day_Ah(system, load_Wh), sun))
        steps += array_steps(system, load_Ah, wish, sun)
    return Plan(load_Wh, load_Ah, system.capacity_Ah, tuple(lasting), tuple(steps))


def lasting_of(system: System, load_Wh: float, week: Week | None, why_no_week: str) -> tuple[Lasting, ...]:
    """How long the bank lasts without sun, worn out, and with the next days' sun."""
    drawn_Ah = drawn_a_day_Ah(system, load_Wh)
    return (*_without_sun(system, drawn_Ah), _this_week(system, drawn_Ah, week, why_no_week))


def drawn_a_day_Ah(system: System, load_Wh: float) -> float:
    """What a day takes out of the bank, by its own voltage while it gives; standing costs a little, too."""
    lost_Ah = nature.lost_a_day(system.chemistry, system.temperature_C) * system.present_Ah
    return load_Wh / system.giving_V + lost_Ah


def _without_sun(system: System, drawn_Ah: float) -> list[Lasting]:
    usable_Ah = system.usable_Ah
    if usable_Ah is None:
        words = f"not known: {TOO_COLD}"
        return [Lasting("without_sun", "Without any sun, from full", None, False, words)]
    worn_Ah = usable_Ah * sizing.END_OF_LIFE
    return [
        Lasting(
            "without_sun",
            "Without any sun, from full",
            nights(usable_Ah, drawn_Ah),
            False,
            f"{usable_Ah:.4g} Ah down to the reserve, of which a day takes {drawn_Ah:.3g} Ah",
        ),
        Lasting(
            "worn_out",
            "The same when the bank counts as worn out",
            nights(worn_Ah, drawn_Ah),
            False,
            f"at {100 * sizing.END_OF_LIFE:g} % of its rating",
        ),
    ]


def _this_week(system: System, drawn_Ah: float, week: Week | None, why_not: str) -> Lasting:
    title = "With the sun of the next days, from its charge now"
    if week is None or system.cold is None:
        return Lasting("this_week", title, None, False, f"not known: {why_not or TOO_COLD}")
    gives_Ah = week.gives_Ah or 0.0
    held_Ah = system.present_Ah * (week.soc - system.reserve_soc)
    lasts = nights(held_Ah, drawn_Ah, gives_Ah)
    words = (
        f"the outlook's middle course of {week.days} days: the array gives {gives_Ah:.4g} Ah a day, the bank"
        f" is at {100 * week.soc:.0f} %"
    )
    return Lasting("this_week", title, lasts, lasts is None, words)


def _design_month(system: System, drawn_Ah: float, sun: Month) -> Lasting:
    title = "In the month that is planned for, from full"
    if sun.sun_h is None or system.usable_Ah is None:
        words = "not known: how cloudy that month is here nothing tells yet"
        if system.usable_Ah is None:
            words = f"not known: {TOO_COLD}"
        return Lasting("design_month", title, None, False, words)
    gives_Ah = system.gives_Ah(sun.sun_h)
    lasts = nights(system.usable_Ah, drawn_Ah, gives_Ah)
    words = f"its mean day gives {gives_Ah:.4g} Ah; its dark spells are what the days of storage are for"
    return Lasting("design_month", title, lasts, lasts is None, words)
