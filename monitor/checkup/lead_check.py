"""The check on the leads between controller and bank, from two voltmeters. Pure."""

from __future__ import annotations

from math import sqrt

from monitor.checkup.levels import level, moved
from monitor.checkup.recording import ARRAY_OFF, LOADS_OFF, LOADS_ON, Recording
from monitor.checkup.result import Result, right, untold, wrong
from monitor.checkup.roles import Roles, charged_phases
from monitor.site.amounts import amounts

DROP_MOST = 0.03
"""Of the bank's voltage: 3 % for charging circuits (ABYC E-11, secondary source)."""

LEAST_LEAD_A = 2.0
"""With less the leads' drop is lost in the meters' steps (our choice)."""


def lead_drop(recording: Recording, roles: Roles) -> Result:
    """What the leads between controller and bank take of the voltage in full sun, from two voltmeters."""
    name = "lead_drop"
    if roles.charger is None or roles.shunt is None:
        return untold(
            name,
            "only one device reads the bank's voltage",
            "a second voltmeter at the bank's posts, such as a shunt, would show it",
        )
    found = _leads(recording, roles.charger, roles.shunt)
    sizes = amounts(recording.site).controller
    if found is None or sizes is None:
        return untold(
            name,
            f"less than {LEAST_LEAD_A:g} A flowed through the leads",
            "ask again in full sun with the bank not full, opening the array's disconnect once",
        )
    ohm, sd_ohm = found
    full_A = (
        min(sizes.charge_current_A, recording.site.controller.rating_A) if recording.site.controller else 0.0
    )
    share, sd = ohm * full_A / recording.site.bank.voltage_V, sd_ohm * full_A / recording.site.bank.voltage_V
    said = (
        f"{1000 * ohm:.1f} ± {2000 * sd_ohm:.1f} milliohm there and back, in full sun {100 * share:.1f} %"
        f" of the"
        f" bank's voltage at {full_A:.0f} A; at most {100 * DROP_MOST:.0f} % are usual"
    )
    figures = {"lead_ohm": ohm, "lead_sd_ohm": sd_ohm, "drop_share": share}
    if share - 2 * sd > DROP_MOST:
        return wrong(
            name,
            f"{said}.",
            "Look for a loose or dirty terminal, a thin or long wire, or a weak fuse holder: what is warm"
            " to the hand"
            " takes the voltage.",
            **figures,
        )
    if share + 2 * sd < DROP_MOST:
        return right(name, f"{said}.", **figures)
    return untold(
        name, said, "ask again with more current, or with meters that show smaller steps", **figures
    )


def _leads(recording: Recording, charger: str, shunt: str) -> tuple[float, float] | None:
    """Ohm of the leads and its deviation, from the pair of phases whose currents differ most."""
    best: tuple[float, float, float] | None = None
    quiet = [name for name in (ARRAY_OFF, LOADS_OFF, LOADS_ON) if recording.phase(name) is not None]
    for busy in [*charged_phases(recording), LOADS_ON]:
        for calm in quiet:
            volts = [
                level(recording, phase, device, "battery_voltage_V")
                for device in (charger, shunt)
                for phase in (calm, busy)
            ]
            through = [_through(recording, charger, phase) for phase in (calm, busy)]
            if None in volts or None in through:
                continue
            at_controller = moved(*volts[:2])  # type: ignore[arg-type]
            at_posts = moved(*volts[2:])  # type: ignore[arg-type]
            amps = through[1] - through[0]  # type: ignore[operator]
            if abs(amps) < LEAST_LEAD_A or (best is not None and abs(amps) <= best[0]):
                continue
            gain_V = 2 * recording.site.meters.voltage_gain_tolerance * abs(at_posts.by)
            sd_V = sqrt(at_controller.sd**2 + at_posts.sd**2 + gain_V**2)
            best = abs(amps), (at_controller.by - at_posts.by) / amps, sd_V / abs(amps)
    return None if best is None else best[1:]


def _through(recording: Recording, charger: str, phase: str) -> float | None:
    """What flows from the controller to the bank."""
    charge = level(recording, phase, charger, "charge_current_A")
    load = level(recording, phase, charger, "load_current_A")
    return None if charge is None else charge.mean - (load.mean if load is not None else 0.0)
