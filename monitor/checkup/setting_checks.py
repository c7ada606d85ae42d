"""The checks on the controller's settings: as described, and fit for the bank's chemistry. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.bank.setpoints import REFERENCE_C
from monitor.checkup.array_work import throttled
from monitor.checkup.levels import level
from monitor.checkup.meter_checks import probe
from monitor.checkup.recording import START, Recording
from monitor.checkup.result import Result, Verdict, right, untold, wrong
from monitor.checkup.roles import Roles, array_V, charged_phases
from monitor.quantities import Stage
from monitor.site.chemistry import USUAL
from monitor.site.model import Controller
from monitor.site.setpoints import set_point_findings

TYPED_V = 0.025
"""Volts a cell that a typed set point may differ from the site file's (our choice: 0.15 V at 12 V;
displays round to 0.1 V, and the nearest chemistries lie 0.4 V apart)."""

HELD_V = 0.03
"""Likewise for a held voltage, beside the meter's tolerance (our choice: regulation and a probe's degree)."""

STEADY = 0.002
"""A voltage that moves by less than this share within a phase is held (our choice)."""

SURELY_HELD = 0.55
"""A voltage counts as held only where the array stands so high between best-point and open voltage (our
choice: more than half of its way, which no unknown warmth makes)."""

OTHER_CLASS = 1.3
"""From this ratio on a set point belongs to a bank of another voltage (our choice: 12 and 24 V are 2
apart)."""

IDLE_SHARE = 0.97
"""A controller that says 'absorption' or 'float' this far below the float voltage and gives nothing
believes in another bank (our choice)."""

LOOK = (
    "Open the controller's menu, compare the battery's kind, the bank's voltage and each set point with the"
)


@dataclass(frozen=True, slots=True)
class Seen:
    """One of the controller's settings at 25 °C, how it came to be known, and the site file's value."""

    key: str
    value_V: float
    described_V: float
    how: str
    slack_V: float

    @property
    def differs(self) -> bool:
        return abs(self.value_V - self.described_V) > self.slack_V

    @property
    def other_class(self) -> bool:
        """Whether it is of a bank of another voltage."""
        low, high = sorted((self.value_V, self.described_V))
        return high > OTHER_CLASS * low


def seen_settings(recording: Recording, roles: Roles) -> list[Seen]:
    """What is known of the controller's settings, by word and by what it holds."""
    controller = recording.site.controller
    if controller is None:
        return []
    cells, answers = recording.site.bank.cells_in_series, recording.answers
    found = []
    for key, typed_V, described_V in (
        ("absorption_V", answers.absorption_V, controller.absorption_V),
        ("float_V", answers.float_V, controller.float_V),
    ):
        if typed_V is not None and described_V is not None:
            found.append(Seen(key, typed_V, described_V, "its display says", TYPED_V * cells))
    return found + [each for phase in charged_phases(recording) if (each := _held(recording, roles, phase))]


def idle_in_light(recording: Recording, roles: Roles) -> float | None:
    """The bank's voltage where the controller says it is charged and gives nothing though the bank is far
    from it; None where that is not so."""
    controller = recording.site.controller
    if controller is None or controller.float_V is None or roles.charger is None or not roles.lit:
        return None
    for phase in charged_phases(recording):
        parts = [
            level(recording, phase, roles.charger, quantity)
            for quantity in ("charge_stage", "charge_current_A", "battery_voltage_V")
        ]
        light_V = array_V(recording, roles.charger)
        if any(part is None for part in parts) or light_V is None:
            return None
        stage, charge, volts = (part for part in parts if part is not None)
        nothing_A = recording.site.meters.current_offset_tolerance_A + 2 * charge.step
        regulates = round(stage.mean) in (Stage.ABSORPTION, Stage.FLOAT)
        low = volts.mean < IDLE_SHARE * controller.float_V
        if not (regulates and low and charge.mean < nothing_A and light_V > volts.mean):
            return None
        found = volts.mean
    return found


def set_points(recording: Recording, roles: Roles) -> Result:
    """Whether the controller is set as the site file says."""
    name, controller = "set_points", recording.site.controller
    if controller is None:
        return untold(name, "no controller is described", "describe it under [controller]")
    known = seen_settings(recording, roles)
    idle_V, over_V = idle_in_light(recording, roles), _over_V(recording, roles)
    figures = {each.key: each.value_V for each in reversed(known)}
    off = [each for each in known if each.differs]
    if off:
        said = "; ".join(
            f"{each.key}: {each.how} {each.value_V:.2f} V, the site file {each.described_V:.2f} V"
            for each in off
        )
        return wrong(name, f"{said}.", f"{LOOK} site file.", **figures)
    if idle_V is not None:
        return wrong(
            name,
            "In daylight the controller says that it is done and gives nothing, with the bank at"
            f" {idle_V:.2f} V; float is described as {controller.float_V} V.",
            f"{LOOK} site file: it seems to be set for a bank of another voltage.",
            **figures,
        )
    if over_V is not None:
        return wrong(
            name,
            f"The bank stands at {over_V:.2f} V, above every set point.",
            f"{LOOK} site file.",
            **figures,
        )
    if known:
        said = ", ".join(f"{each.key} {each.value_V:.2f} V ({each.how})" for each in known)
        return right(name, f"As described: {said}.", **figures)
    return untold(
        name,
        "the controller holds no voltage now and nobody read its display",
        "type the set points from its display when asked, or ask again while it holds the bank's voltage",
    )


def chemistry(recording: Recording, roles: Roles) -> Result:
    """Whether the set points, as far as they are known, suit the bank's chemistry."""
    name, controller, bank = "chemistry", recording.site.controller, recording.site.bank
    if controller is None:
        return untold(name, "no controller is described", "describe it under [controller]")
    real = {each.key: each.value_V for each in reversed(seen_settings(recording, roles)) if each.differs}
    actual: Controller = controller.model_copy(update=real)
    found = [(path, text) for _, path, text in set_point_findings(bank, actual)]
    source = "read from the controller" if real else "as the site file has them"
    if found:
        said = "; ".join(f"{path[-1]} {text}" for path, text in found)
        return wrong(name, f"Set points {source}: {said}.", f"{LOOK} battery maker's sheet.")
    return right(name, f"Set points {source} lie within what is usual for {USUAL[bank.chemistry].words}.")


def _held(recording: Recording, roles: Roles, phase: str) -> Seen | None:
    """The set point at 25 °C that the controller holds the bank at in a phase; None where it holds none."""
    controller, charger = recording.site.controller, roles.charger
    if controller is None or charger is None or not roles.lit:
        return None
    parts = [
        level(recording, phase, charger, name)
        for name in ("charge_stage", "battery_voltage_V", "charge_current_A")
    ]
    if any(part is None for part in parts):
        return None
    stage, volts, charge = (part for part in parts if part is not None)
    key = {Stage.ABSORPTION: "absorption_V", Stage.FLOAT: "float_V"}.get(Stage(round(stage.mean)))
    described_V = getattr(controller, key) if key is not None else None
    if key is None or described_V is None or not _steady(recording, phase, charger):
        return None
    if probe(recording, roles).verdict is Verdict.WRONG:
        return None  # neither the compensation nor the panels' warmth is known then
    nothing_A = recording.site.meters.current_offset_tolerance_A + 2 * charge.step
    if charge.mean < nothing_A or not throttled(recording, roles, phase, SURELY_HELD):
        return None  # come down from above it, or not held at all: the stage alone does not tell
    warmth = level(recording, phase, charger, "battery_temperature_C")
    slope = controller.temperature_compensation_V_per_C or 0.0
    if warmth is None and slope:
        return None
    warmer_C = 0.0 if warmth is None else warmth.mean - REFERENCE_C
    slack_V = HELD_V * recording.site.bank.cells_in_series
    slack_V += recording.site.meters.voltage_gain_tolerance * volts.mean + volts.step + abs(slope) * 2
    return Seen(key, volts.mean - slope * warmer_C, described_V, "it holds", slack_V)


def _steady(recording: Recording, phase: str, charger: str) -> bool:
    """Whether the bank's voltage did not move in a phase beyond a step."""
    values = [
        v for s in recording.within(phase, charger) if (v := s.values.get("battery_voltage_V")) is not None
    ]
    return max(values) - min(values) <= STEADY * max(values) + recording.site.meters.voltage_step_V


def _over_V(recording: Recording, roles: Roles) -> float | None:
    """The bank's voltage where it stands above every set point at any temperature that the probe may be
    off by."""
    controller = recording.site.controller
    if controller is None or roles.charger is None:
        return None
    named = [v for v in (controller.absorption_V, controller.equalization_V) if v is not None]
    volts = level(recording, START, roles.charger, "battery_voltage_V")
    if not named or volts is None:
        return None
    warmth = level(recording, START, roles.charger, "battery_temperature_C")
    slope = controller.temperature_compensation_V_per_C or 0.0
    colder_C = max(0.0, REFERENCE_C - warmth.mean) if warmth is not None else REFERENCE_C
    most_V = max(named) - slope * colder_C
    slack_V = 0.05 * recording.site.bank.cells_in_series
    slack_V += recording.site.meters.voltage_gain_tolerance * volts.mean
    return volts.mean if volts.mean > most_V + slack_V else None
