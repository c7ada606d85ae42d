"""The checks on the bank and its connection: devices, switch, units in series, strings, leads, own draw.
Pure."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.checkup.levels import Level, level
from monitor.checkup.recording import ARRAY_OFF, START, STRINGS_ON, Recording, alone
from monitor.checkup.result import Result, right, untold, wrong
from monitor.checkup.roles import Roles, resting_phase, silent

LEAD_ACID_REST = (1.85, 2.35)
"""Volts a cell without charge: empty is 1.92 at 10 % (a battery maker's table, in `bank/tables.py`), and
loads pull that down a little; what a charge leaves on the plates is gone below gassing, 2.4 V (our choice
of both ends)."""

LITHIUM_REST = (2.50, 3.60)
"""Cells end at 2.5 V (from memory); full and at rest they stand at 3.6 V at most [Prada 2013,
`bank/tables.py`]."""

CHARGED_MOST = {"flooded": 2.90, "agm": 2.75, "gel": 2.75, "lifepo4": 3.80}
"""Volts a cell that no charge passes: equalization at 2.58 V and -0.005 V a degree down to -20 °C; others
likewise from their absorption (our choice)."""

HEALTHY_LEAD_ACID, HEALTHY_LITHIUM = (1.93, 2.20), (3.05, 3.42)
"""Where a bank in use stands at rest: another count of units that stood there would look right, too (our
choice, within the tables of `bank/tables.py`)."""

DRAW_OVER_W = 2.0
"""The controller's own draw and a lamp's pilot may come to this beside the monitor's (our choice: controllers
draw some tenths of a watt to two)."""

DRAW_SHARE = 0.25
"""The monitor's own draw moves by this share with its work (our choice; a Pi 3B draws 0.30 to 0.35 A idle and
booting [the maker's table])."""


def devices(recording: Recording, roles: Roles) -> Result:
    """Whether every device that is described answered, to the end."""
    names = [device.name for device in recording.site.devices]
    mute = [name for name in names if silent(recording, START, name)]
    if mute:
        return wrong(
            "devices",
            f"{', '.join(mute)} never answered while {len(names)} were asked.",
            "Look at the supply of the silent one first (battery switch, fuse), then at its data wire,"
            " port, speed and unit address in the site file.",
        )
    lost = _lost(recording, names)
    if lost:
        return wrong(
            "devices",
            f"{', '.join(lost)} answered at first and not at the end.",
            "Look at its plug, its data wire and its supply, then ask again: what came later is not told.",
        )
    return right("devices", f"All {len(names)} answered.", devices=float(len(names)))


def _lost(recording: Recording, names: Sequence[str]) -> list[str]:
    """The devices that were silent in the last phase, unless the act before it may take their supply."""
    last = next((phase.name for phase in reversed(recording.phases) if phase.how != "skipped"), START)
    strings = range(1, recording.site.bank.strings_in_parallel + 1)
    if last in (START, ARRAY_OFF, *map(alone, strings)):
        return []
    return [name for name in names if silent(recording, last, name)]


def battery_switch(recording: Recording, roles: Roles) -> Result:
    """Whether the controller lives from the bank."""
    name = "battery_switch"
    if roles.charger is None:
        return untold(name, "no controller is read", "describe the controller under [[devices]]")
    look = "Look at the battery switch, its fuse or breaker, and the terminals at bank and controller."
    if silent(recording, START, roles.charger):
        return wrong(
            name,
            f"{roles.charger} gives no answer: it may have no supply.",
            f"{look} If they are sound, look at its data wire.",
        )
    if silent(recording, ARRAY_OFF, roles.charger):
        return wrong(
            name,
            f"{roles.charger} fell silent when the array was taken off: it lived from the array alone.",
            f"{look} Close the array's disconnect again only when the bank is connected.",
        )
    if roles.lit is False:
        return right(name, f"{roles.charger} answers in the dark, so it lives from the bank.")
    if recording.within(ARRAY_OFF, roles.charger):
        return right(name, f"{roles.charger} goes on answering with the array off.")
    return untold(
        name,
        "the array fed the controller all the while",
        "open the array's disconnect once, or ask in the dark",
    )


def bank_series(recording: Recording, roles: Roles) -> Result:
    """Whether the bank's voltage fits the units in series."""
    name, bank = "bank_series", recording.site.bank
    phase = resting_phase(recording, roles) or START
    volts = None if roles.voltmeter is None else level(recording, phase, roles.voltmeter, "battery_voltage_V")
    if volts is None:
        return untold(name, "the bank's voltage was not read", "repeat it when the devices answer")
    cells, rests = bank.cells_in_series, phase != START
    low, high = LITHIUM_REST if bank.chemistry == "lifepo4" else LEAD_ACID_REST
    if not rests:
        high = CHARGED_MOST[bank.chemistry]
    off = 1 + recording.site.meters.voltage_gain_tolerance
    low, high = low / off, high * off
    per_cell = volts.mean / cells
    how = "at rest" if rests else "as it stands"
    said = (
        f"{volts.mean:.2f} V {how} are {per_cell:.2f} V a cell for {bank.units_in_series} units in series"
        f" ({cells} cells)"
    )
    figures = {"bank_V": volts.mean, "cell_V": per_cell}
    if not low <= per_cell <= high:
        units = _fitting_units(recording, volts.mean)
        fits = f"; it would fit {units}" if units and units != bank.units_in_series else ""
        return wrong(
            name,
            f"{said}; possible are {low:.2f} to {high:.2f} V{fits}.",
            "Count the units of one string from post to post, and measure each: one may be dead, turned"
            " round or left out.",
            **figures,
        )
    others = [units for units in (bank.units_in_series - 1, bank.units_in_series + 1) if units]
    also = [units for units in others if _healthy(recording, volts.mean, units, charged=not rests)]
    if also:
        return untold(
            name,
            f"{said}, but {' or '.join(map(str, also))} units could stand there, too",
            "ask again with loads and array off and the bank nearly full",
            **figures,
        )
    return right(name, f"{said}; possible are {low:.2f} to {high:.2f} V.", **figures)


def _fitting_units(recording: Recording, volts: float) -> int | None:
    bank = recording.site.bank
    typical = 3.28 if bank.chemistry == "lifepo4" else 2.08
    units = round(volts / (typical * bank.cells_per_unit))
    return units if units and _healthy(recording, volts, units, slack=0.15) else None


def _healthy(
    recording: Recording, volts: float, units: int, slack: float = 0.0, charged: bool = False
) -> bool:
    """Whether a bank of so many units in series could stand at a voltage in use."""
    bank = recording.site.bank
    low, high = HEALTHY_LITHIUM if bank.chemistry == "lifepo4" else HEALTHY_LEAD_ACID
    high = CHARGED_MOST[bank.chemistry] if charged else high
    return low - slack <= volts / (units * bank.cells_per_unit) <= high + slack


def bank_parallel(recording: Recording, roles: Roles) -> Result | None:
    """Whether each string of the bank carries alone; None where there is one string only."""
    name, strings = "bank_parallel", recording.site.bank.strings_in_parallel
    if strings == 1:
        return None
    if roles.charger is None:
        return untold(name, "no controller is read", "describe the controller under [[devices]]")
    dead, tried = [], []
    for string in range(1, strings + 1):
        if not recording.within(alone(string), roles.charger):
            continue
        tried.append(string)
        if silent(recording, alone(string), roles.charger):
            dead.append(string)
    if dead and silent(recording, STRINGS_ON, roles.charger):
        return untold(
            name,
            f"{roles.charger} stayed silent with all strings on again",
            "look at its supply and its data wire, and ask again",
        )
    if dead:
        which = ", ".join(map(str, dead))
        return wrong(
            name,
            f"With string {which} alone the controller fell silent: it is not connected.",
            f"Look at the links, terminals and fuse of string {which}, and measure it from post to post.",
            strings_tried=float(len(tried)),
            strings_dead=float(len(dead)),
        )
    if len(tried) == strings:
        return right(
            name,
            f"Each of the {strings} strings alone kept the controller alive.",
            strings_tried=float(len(tried)),
            strings_dead=0.0,
        )
    return untold(
        name,
        f"{len(tried)} of {strings} strings were switched on alone",
        "give each string its own fuse or switch, and switch on one after the other alone with the array off",
    )


def own_draw(recording: Recording, roles: Roles) -> Result:
    """What the bank gives while nothing is on, against the monitor's described draw."""
    name = "own_draw"
    if roles.shunt is None:
        return untold(
            name, "no shunt sees the bank's own current", "a shunt in the bank's negative lead would show it"
        )
    phase = resting_phase(recording, roles)
    amps, volts = (
        (None, None)
        if phase is None
        else (
            level(recording, phase, roles.shunt, "battery_current_A"),
            level(recording, phase, roles.shunt, "battery_voltage_V"),
        )
    )
    if amps is None or volts is None:
        return untold(
            name,
            "the loads were not off with the array off or in the dark",
            "switch off all loads with the array's disconnect open, or in the dark",
        )
    return _draw(recording, amps, volts)


def _draw(recording: Recording, amps: Level, volts: Level) -> Result:
    described_W, meters = recording.site.metering.monitor_power_W, recording.site.meters
    draw_W = -amps.mean * volts.mean
    margin_W = (meters.current_offset_tolerance_A + meters.current_step_A / 2 + 2 * amps.sd) * volts.mean
    said = (
        f"{draw_W:.1f} W (± {margin_W:.1f} W by the meter) flow out while everything is off; described are"
        f" {described_W:g} W"
    )
    figures = {"idle_W": draw_W, "described_W": described_W}
    slack_W = margin_W + DRAW_SHARE * described_W
    if draw_W - described_W > DRAW_OVER_W + slack_W:
        return wrong(
            "own_draw",
            f"{said}.",
            "Look for what is still on: a lamp, a router, a converter that idles. If all of it is the"
            f" monitor's, write monitor_power_W = {draw_W:.1f} under [metering].",
            **figures,
        )
    if described_W - draw_W > DRAW_OVER_W + slack_W:
        return wrong(
            "own_draw",
            f"{said}.",
            "The monitor may be fed past the shunt: wire its return to the shunt's load side, or write"
            " its true draw under [metering].",
            **figures,
        )
    if draw_W - described_W > DRAW_OVER_W + DRAW_SHARE * described_W:
        return untold(
            "own_draw",
            f"{said}, which may be the meter's zero",
            "set the shunt's zero, then ask again",
            **figures,
        )
    return right("own_draw", f"{said}.", **figures)
