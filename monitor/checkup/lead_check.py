"""The check on the leads between controller and bank, from two voltmeters. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from monitor.checkup.levels import move
from monitor.checkup.recording import ARRAY_OFF, LOADS_OFF, LOADS_ON, Recording
from monitor.checkup.result import Result, right, untold, wrong
from monitor.checkup.roles import Roles, charged_phases
from monitor.site.amounts import amounts

DROP_MOST = 0.03
"""Of the bank's voltage: 3 % for charging circuits (ABYC E-11, secondary source)."""

OTHER_SHARE = 0.15
"""The bank's current may change by so much more or less than that through the leads (our choice: two meters'
tolerances and the monitor's own draw)."""

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
    ohm, sd_ohm = found.ohm, found.sd_ohm
    full_A = (
        min(sizes.charge_current_A, recording.site.controller.rating_A) if recording.site.controller else 0.0
    )
    share, sd = ohm * full_A / recording.site.bank.voltage_V, sd_ohm * full_A / recording.site.bank.voltage_V
    said = (
        f"{1000 * ohm:z.1f} ± {2000 * sd_ohm:.1f} milliohm there and back, in full sun {100 * share:z.1f}"
        f" % of the bank's voltage at {full_A:.0f} A; at most {100 * DROP_MOST:.0f} % are usual"
    )
    figures = {"lead_ohm": ohm, "lead_sd_ohm": sd_ohm, "drop_share": share}
    if share - 2 * sd > DROP_MOST:
        return wrong(
            name,
            f"{said}.",
            "Look for a loose or dirty terminal, a thin or long wire, or a weak fuse holder: what is"
            " warm to the hand takes the voltage.",
            **figures,
        )
    if share + 3 * sd < 0:
        return untold(
            name,
            f"{said}: the two voltmeters contradict each other",
            "ask again with steady loads",
            **figures,
        )
    if share + 2 * sd < DROP_MOST:
        return right(name, f"{said}.", **figures)
    return untold(
        name, said, "ask again with more current, or with meters that show smaller steps", **figures
    )


@dataclass(frozen=True, slots=True)
class _Pair:
    """What two phases differ by, if only the current through the leads does."""

    amps: float
    ohm: float
    sd_ohm: float


def _leads(recording: Recording, charger: str, shunt: str) -> _Pair | None:
    """The leads by the pair of phases whose currents differ most."""
    calm = [name for name in (ARRAY_OFF, LOADS_OFF, LOADS_ON) if recording.phase(name) is not None]
    busy = [*charged_phases(recording), *calm]
    pairs = [_pair(recording, charger, shunt, before, after) for before in calm for after in busy]
    return max((pair for pair in pairs if pair is not None), key=lambda pair: pair.amps, default=None)


def _pair(recording: Recording, charger: str, shunt: str, before: str, after: str) -> _Pair | None:
    """None where too little flows, or where the shunt saw another change than the leads: then something
    that hangs elsewhere was switched, too."""
    at_controller = move(recording, before, after, charger, "battery_voltage_V")
    at_posts = move(recording, before, after, shunt, "battery_voltage_V")
    at_bank = move(recording, before, after, shunt, "battery_current_A")
    charge = move(recording, before, after, charger, "charge_current_A")
    load = move(recording, before, after, charger, "load_current_A")
    if at_controller is None or at_posts is None or at_bank is None or charge is None:
        return None
    amps = charge.by - (load.by if load is not None else 0.0)
    if abs(amps) < LEAST_LEAD_A or abs(abs(at_bank.by) - abs(amps)) > OTHER_SHARE * abs(amps):
        return None
    gain_V = 2 * recording.site.meters.voltage_gain_tolerance * abs(at_posts.by)
    sd_V = sqrt(at_controller.sd**2 + at_posts.sd**2 + gain_V**2)
    return _Pair(abs(amps), (at_controller.by - at_posts.by) / amps, sd_V / abs(amps))
