"""The checks on what the meters see: the loads, the shunt's direction and its place, the probe, the clock.
Pure."""

from __future__ import annotations

from monitor.checkup.levels import Move, level, move
from monitor.checkup.recording import (
    ARRAY_OFF,
    ARRAY_ON,
    HELD,
    LOADS_OFF,
    LOADS_ON,
    RELEASED,
    START,
    Recording,
)
from monitor.checkup.result import Result, right, untold, wrong
from monitor.checkup.roles import Roles, array_V, rated_V, silent

LEAST_STEP_A = 0.1
"""A load or charge that is switched moves a current by more than this (our choice: 1 W at 12 V)."""

ENOUGH_A = 1.0
"""Charge of at least so much that goes past the shunt is surely missed there (our choice)."""

ALIKE = 0.5
"""The shunt sees the charge where it moves by this share of it at least (our choice: all or nothing goes
past)."""

HAND_C = 0.7
"""A hand around a probe on a post warms it by more than this in half a minute (our choice)."""

COOLS_SHARE = 0.2
"""Of what a hand has warmed a probe by, so much is gone half a minute later (our choice: a lug on a post
cools within a minute; a probe beside a controller that warms does not)."""

TOO_WARM_C = 29.0
"""A hand hardly warms a probe that is so warm (our choice: skin is at about 33 °C)."""

PROBES_APART_C = 5.0
"""Two probes on one bank stand nearer to each other (our choice; makers allow ±1 to 2 °C each)."""

CLOCK_S = 150.0
"""A clock may be off by two minutes, and half a minute is lost in typing (our choice)."""

NIGHT_DEG, LIT_SHARE = -6.0, 0.5
"""Below civil twilight no sky gives half of an array's rated voltage (our choice)."""


def loads(recording: Recording, roles: Roles) -> Result:
    """Whether the loads are seen where the metering level says so."""
    name, metering = "loads", recording.site.metering.level
    again = "ask again and switch all loads off and on when asked"
    if roles.charger is None or recording.phase(LOADS_ON) is None or recording.phase(LOADS_OFF) is None:
        return untold(name, "the loads were not switched off and on", again)
    if silent(recording, LOADS_OFF, roles.charger) or silent(recording, LOADS_ON, roles.charger):
        return untold(name, f"{roles.charger} was silent when the loads were switched", again)
    at_controller = move(recording, LOADS_OFF, LOADS_ON, roles.charger, "load_current_A")
    seen = at_controller is not None and at_controller.by > 0 and at_controller.beyond(LEAST_STEP_A)
    figures = {"load_step_A": None if at_controller is None else at_controller.by}
    if metering == "shunt":
        return _by_shunt(recording, roles, figures)
    if metering == "controller":
        if seen:
            return right(
                name,
                f"The controller's load current rises by {_amps(at_controller)} with the loads.",
                **figures,
            )
        return wrong(
            name,
            "The loads were switched on, and the controller's load current moved by"
            f" {_amps(at_controller)}: it does not see them.",
            "Either they hang on the bank and not on the controller's load output: then write level ="
            ' "charging"'
            " under [metering] (or add a shunt). Or they did not burn: look at their fuse and disconnect.",
            **figures,
        )
    if seen:
        return wrong(
            name,
            f"The controller's load current rises by {_amps(at_controller)} with the loads, though the"
            " site file says that it does not see them.",
            'Write level = "controller" under [metering]; where another load hangs on the bank itself,'
            " straight_to_bank = true beside it.",
            **figures,
        )
    return right(name, "The controller does not see the loads, as described.", **figures)


def _by_shunt(recording: Recording, roles: Roles, figures: dict[str, float | None]) -> Result:
    step = (
        None
        if roles.shunt is None
        else move(recording, LOADS_OFF, LOADS_ON, roles.shunt, "battery_current_A")
    )
    if step is not None and step.beyond(LEAST_STEP_A):
        return right("loads", f"The shunt's current moves by {_amps(step)} with the loads.", **figures)
    return untold("loads", "the shunt does not move with the loads", "see what is said of the shunt")


def _amps(step: Move | None) -> str:
    return "nothing (none is read)" if step is None else f"{step.by:.2f} A"


def shunt_sign(recording: Recording, roles: Roles) -> Result | None:
    """Whether the shunt counts into the bank as positive; None without a shunt."""
    if recording.site.metering.level != "shunt":
        return None
    name = "shunt_sign"
    if roles.shunt is None:
        return untold(name, "the shunt gives no current", "repeat it when the shunt answers")
    loads_step, charge_step = _steps(recording, roles.shunt)
    said, signs = [], []
    for step, what, sign in (
        (loads_step, "the loads are switched on", -1),
        (charge_step, "the array is switched on", 1),
    ):
        if step is not None and step.beyond(LEAST_STEP_A):
            said.append(f"by {step.by:+.2f} A when {what}")
            signs.append(sign * step.by > 0)
    figures = {
        "shunt_by_loads_A": None if loads_step is None else loads_step.by,
        "shunt_by_charge_A": None if charge_step is None else charge_step.by,
    }
    if not signs or (any(signs) and not all(signs)):
        return untold(
            name,
            "neither loads nor array moved it clearly",
            "ask again with more load, or in the sun",
            **figures,
        )
    text = f"The shunt moves {' and '.join(said)}."
    if all(signs):
        return right(name, text, **figures)
    return wrong(
        name,
        f"{text} It should be the other way.",
        "Swap the two sense wires of the shunt, or turn its sign in its own settings; the thick leads may"
        " stay.",
        **figures,
    )


def shunt_side(recording: Recording, roles: Roles) -> Result | None:
    """Whether both charge and loads go through the shunt; None without a shunt."""
    if recording.site.metering.level != "shunt":
        return None
    name = "shunt_side"
    if roles.shunt is None or roles.charger is None:
        return untold(name, "the shunt or the controller is not read", "repeat it when both answer")
    loads_step, charge_step = _steps(recording, roles.shunt)
    given = move(recording, ARRAY_OFF, ARRAY_ON, roles.charger, "charge_current_A")
    figures = {
        "shunt_by_loads_A": None if loads_step is None else loads_step.by,
        "shunt_by_charge_A": None if charge_step is None else charge_step.by,
        "charge_step_A": None if given is None else given.by,
    }
    if loads_step is not None and not loads_step.beyond(LEAST_STEP_A):
        return wrong(
            name,
            f"The loads were switched on, and the shunt moved by {loads_step.by:+.2f} A: they go past it.",
            "Wire the loads' return to the shunt's load side; only the shunt itself may lie on the bank's"
            " negative post.",
            **figures,
        )
    if given is not None and charge_step is not None and given.by > ENOUGH_A:
        if abs(charge_step.by) < ALIKE * given.by:
            return wrong(
                name,
                f"The controller charges with {given.by:.2f} A more, and the shunt moves by"
                f" {charge_step.by:+.2f} A: the charge goes past it.",
                "Wire the controller's negative to the shunt's load side; only the shunt itself may lie"
                " on the bank's negative post.",
                **figures,
            )
        if loads_step is not None:
            return right(
                name,
                f"It moves by {loads_step.by:+.2f} A with the loads and by {charge_step.by:+.2f} A with a"
                f" charge of {given.by:.2f} A.",
                **figures,
            )
    seen = "the loads go through it; " if loads_step is not None else ""
    return untold(
        name,
        f"{seen}charge or loads were not switched",
        "ask again in the sun, with the bank not full",
        **figures,
    )


def _steps(recording: Recording, shunt: str) -> tuple[Move | None, Move | None]:
    """How the shunt moves when the loads are switched on, and when the array is."""
    return (
        move(recording, LOADS_OFF, LOADS_ON, shunt, "battery_current_A"),
        move(recording, ARRAY_OFF, ARRAY_ON, shunt, "battery_current_A"),
    )


def probe(recording: Recording, roles: Roles) -> Result:
    """Whether the controller's temperature probe is there, and on the bank."""
    name, quantity = "probe", "battery_temperature_C"
    givers = recording.givers(quantity)
    device = roles.charger if roles.charger in givers else next(iter(givers), None)
    if device is None:
        return untold(name, "no device gives the bank's temperature", "a probe at the bank would tell it")
    here = level(recording, START, device, quantity)
    look = "The probe belongs on a post or low on the side of a battery in the middle, fixed and covered."
    if here is None:
        return wrong(
            name, f"{device} says that it has no probe.", f"Plug the probe in, or look at its wire. {look}"
        )
    figures: dict[str, float | None] = {"probe_C": here.mean}
    others = [level(recording, START, other, quantity) for other in givers if other != device]
    for other in others:
        if other is not None and abs(other.mean - here.mean) > PROBES_APART_C:
            return wrong(
                name,
                f"{device} shows {here.mean:z.1f} °C, another probe on the bank {other.mean:z.1f} °C.",
                f"One of the two is not on the bank. {look}",
                **figures,
                other_C=other.mean,
            )
    warmed = move(recording, START, HELD, device, quantity)
    if warmed is None:
        return untold(
            name,
            f"{device} shows {here.mean:z.1f} °C; nobody held it",
            "hold the probe in the hand when asked",
            **figures,
        )
    figures["hand_C"] = warmed.by
    if here.mean > TOO_WARM_C:
        return untold(
            name, f"at {here.mean:z.1f} °C a hand hardly warms it", "ask again in a cool hour", **figures
        )
    let_go = move(recording, HELD, RELEASED, device, quantity)
    if warmed.by > 0 and warmed.beyond(HAND_C):
        if let_go is not None and -let_go.by < COOLS_SHARE * warmed.by:
            return untold(
                name,
                "it grew warm in the hand and stayed so: something else warms it",
                "ask again later",
                **figures,
            )
        return right(name, f"In the hand it rises by {warmed.by:.1f} °C from {here.mean:z.1f} °C.", **figures)
    if warmed.by + 1.5 * warmed.step < HAND_C or warmed.by <= 0:
        return wrong(
            name,
            f"{device} shows {here.mean:z.1f} °C and moved by {warmed.by:+.1f} °C while the probe on the"
            f" bank was held.",
            f"What it reads is another probe, or one inside the controller. {look}",
            **figures,
        )
    return untold(name, f"in the hand it moved by {warmed.by:+.1f} °C only", "hold it longer", **figures)


def clock(recording: Recording, roles: Roles) -> Result:
    """Whether the computer's clock is right, by the person's word or by the light."""
    name, error_s = "clock", recording.answers.clock_error_s
    look = (
        "Set the computer's clock and its time zone; without a network a clock chip with a battery keeps it."
    )
    if error_s is not None:
        said = f"It is {_span(abs(error_s))} {'ahead' if error_s > 0 else 'behind'}."
        if abs(error_s) > CLOCK_S:
            return wrong(name, said, look, clock_error_s=error_s)
        return right(name, "It agrees with the time that was typed.", clock_error_s=error_s)
    volts, rated = array_V(recording, roles.charger), rated_V(recording)
    if recording.sun is None or volts is None or rated is None:
        return untold(name, "nobody told the time", "type the time that a phone shows when asked")
    if volts > LIT_SHARE * rated and recording.sun.elevation_deg < NIGHT_DEG:
        return wrong(
            name,
            f"The array stands at {volts:.1f} V in daylight while the sun should be"
            f" {-recording.sun.elevation_deg:.0f} degrees below the horizon.",
            f"{look} Compare latitude and longitude in the site file with a map, too.",
            sun_deg=recording.sun.elevation_deg,
        )
    return untold(
        name,
        "the light does not contradict it, which is good to some hours only",
        "type the time that a phone shows when asked",
    )


def _span(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
