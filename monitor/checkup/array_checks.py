"""The checks on the array: its path, panels in series, strings in parallel. Pure."""

from __future__ import annotations

from monitor.checkup.array_work import Working, working
from monitor.checkup.cover import LEAST_A, coverings
from monitor.checkup.recording import Recording, covered
from monitor.checkup.result import Result, right, untold, wrong
from monitor.checkup.roles import LIT_SHARE, Roles, array_V, rated_V

OFF_BY = 0.25
"""Counts of panels are told apart where the voltage lies within a quarter of a panel of one (our choice:
half of the way to the next, less what an unknown temperature moves six panels by)."""


def array_path(recording: Recording, roles: Roles) -> Result:
    """Whether any voltage of the array reaches the controller by day."""
    name = "array_path"
    volts, rated = array_V(recording, roles.charger), rated_V(recording)
    if volts is None or rated is None:
        return untold(name, "no array voltage is read", "a controller that shows it would tell")
    share = volts / rated
    said = f"The array stands at {volts:.1f} V; its rated voltage is {rated:.1f} V."
    if share > LIT_SHARE:
        return right(name, said, array_V=volts)
    if roles.lit:
        return wrong(
            name,
            f"{said} It is day.",
            "Look at the array's disconnect or breaker, its fuses and connectors, and then at its polarity.",
            array_V=volts,
        )
    return untold(name, "it is dark, and no panel gives a voltage", "ask again by day", array_V=volts)


def array_series(recording: Recording, roles: Roles) -> Result:
    """Whether the array's voltage fits the panels in series."""
    name = "array_series"
    works = working(recording, roles)
    if works is None:
        return untold(name, "the array gives nothing now", "ask again in the sun")
    supply = works.curve.supply
    panels = supply.panels_in_series
    if supply.controller == "pwm":
        return _series_pwm(recording, roles, works)
    light = min(1.0, max(works.array_A / (supply.panel_imp_A * supply.strings_in_parallel), 0.05))
    dim_V = works.curve.dimmed_V(light)
    lowest_V = works.curve.best_V + dim_V
    highest_V = lowest_V if works.free else works.curve.open_V
    few, many = works.array_V / highest_V, works.array_V / lowest_V
    said = f"The array stands at {works.array_V:.1f} V, which {_panels(few, many)} give in this light"
    figures = {"array_V": works.array_V, "panels_low": few, "panels_high": many}
    look = "Follow the wires from panel to panel: plus to minus makes volts add, plus to plus amperes."
    if many < panels - 1 + 2 * OFF_BY or few > panels + 1 - 2 * OFF_BY:
        return wrong(name, f"{said}; described are {panels} in series.", look, **figures)
    if few > panels - 1 + OFF_BY and many < panels + 1 - OFF_BY:
        return right(name, f"{said}, as described.", **figures)
    return untold(
        name,
        said,
        "ask again while the bank takes all that the array gives (with loads on, or in the morning)",
        **figures,
    )


def _panels(few: float, many: float) -> str:
    if abs(many - few) < 0.15:
        return f"{(few + many) / 2:.1f} panels in series"
    return f"{few:.1f} to {many:.1f} panels in series"


def _series_pwm(recording: Recording, roles: Roles, works: Working) -> Result:
    name, supply = "array_series", works.curve.supply
    panels, strings = supply.panels_in_series, supply.strings_in_parallel
    most_V = panels * works.curve.open_V
    figures = {"array_V": works.array_V}
    look = "Follow the wires from panel to panel: plus to minus makes volts add, plus to plus amperes."
    if works.array_V > 1.12 * most_V:
        return wrong(
            name,
            f"The array stands at {works.array_V:.1f} V; {panels} in series give {most_V:.1f} V at most.",
            look,
            **figures,
        )
    if works.array_A < LEAST_A and works.array_V < works.bank_V:
        return wrong(
            name,
            f"The array stands at {works.array_V:.1f} V in daylight, below the bank's {works.bank_V:.1f}"
            f" V: too few panels are in series; described are {panels}.",
            look,
            **figures,
        )
    if works.array_A < LEAST_A:
        return untold(
            name, "the array gives nothing now", "ask again in the sun, with the bank not full", **figures
        )
    if strings == 1:
        return right(
            name, f"It charges a bank at {works.bank_V:.1f} V, which fewer in series could not.", **figures
        )
    gives = [coverings(recording, roles, works, string).gives for string in range(1, strings + 1)]
    if any(gives):
        return right(name, "It charges, and the strings give side by side.", **figures)
    if all(each is False for each in gives):
        return wrong(
            name,
            f"The array gives {works.array_A:.1f} A, and covering a panel of any of its {strings} strings"
            " costs nothing: they are in series, not side by side.",
            look,
            **figures,
        )
    return untold(
        name,
        "a switching controller shows the bank's voltage, not the panels'",
        "cover the strings one by one when asked, in steady sun",
        **figures,
    )


def array_parallel(recording: Recording, roles: Roles) -> Result | None:
    """Whether covering a string costs what it should; None where there is one string only."""
    name, array = "array_parallel", recording.site.array
    if array is None or array.strings_in_parallel == 1:
        return None
    works = working(recording, roles)
    if works is None or works.array_A < LEAST_A:
        return untold(name, "the array gives too little now", "ask again in the sun, with the bank not full")
    strings = range(1, array.strings_in_parallel + 1)
    told = {string: coverings(recording, roles, works, string) for string in strings}
    dead = [string for string, covering in told.items() if covering.gives is False]
    alive = [string for string, covering in told.items() if covering.gives]
    figures = {f"string_{string}_share": covering.mean for string, covering in told.items()}
    if dead and alive:
        which = ", ".join(map(str, dead))
        return wrong(
            name,
            f"Covering a panel of string {which} changes nothing, of string {', '.join(map(str, alive))}"
            " it costs what it should.",
            f"Look at the fuse, connectors and wire of string {which}, and for a panel in the shade.",
            **figures,
        )
    if len(alive) == len(told):
        return right(name, f"Each of the {len(told)} strings costs what it should when covered.", **figures)
    why = "no string was covered"
    if recording.phase(covered(1)) is not None:
        why = "the light was unsteady, or the bank is nearly full, and a covered string hardly shows"
    return untold(
        name, why, "cover the strings one by one when asked, in steady sun, with the bank not full", **figures
    )
