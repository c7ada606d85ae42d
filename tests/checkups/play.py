"""A person before a simulated supply: does what a checkup asks, and the recording that comes of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from random import Random

from monitor.checkup.acts import Act, again, plan
from monitor.checkup.recording import (
    ARRAY_OFF,
    ARRAY_ON,
    HELD,
    LOADS_OFF,
    LOADS_ON,
    RELEASED,
    STRINGS_ON,
    Answers,
    Phase,
    Recording,
    Sample,
    Sun,
    alone,
    covered,
    uncovered,
)
from simulator.meters import MeterSettings
from simulator.plant import Plant, Truth
from simulator.sun import sun_position
from tests.checkups.systems import System

EVERY_S, SETTLE_S, PHASE_S, COVERED_S = 2.0, 4.0, 24.0, 12.0
HAND_S, STRIDE_S = 40.0, 6.0
"""How long a probe is held, and how long a person takes to an act."""


FLICKER, SPIKE_SHARE, SPIKE = 0.6, 0.003, 1.7
"""How many steps a shown value flickers by, how many in a thousand are nonsense, and by which factor (our
choice)."""


def play(system: System, *, acts: bool = True, answers: bool = True) -> Recording:
    """The whole checkup of a system. acts: whether the person does what is asked; answers: whether they
    read the clock and the controller's display."""
    plant = Plant(system.world)
    plant.loads.set("lamps", False)
    plant.advance_to(system.start_ms)
    plant.loads.set("lamps", True)
    truth_ms = plant.time_ms
    error_ms = round(system.clock_error_s * 1000)
    place = system.world.place
    sun = sun_position(truth_ms, place.latitude_deg, place.longitude_deg)
    lit = True if sun.elevation_deg > 5 else (False if sun.elevation_deg < -3 else None)
    samples: list[Sample] = []
    phases: list[Phase] = []
    todo = plan(system.site, lit, has_probe=True)
    tries: Counter[str] = Counter()
    while todo:
        act = todo.pop(0)
        skip = act.skip or ("" if acts or not phases else "the person skipped it")
        if skip:
            phases.append(
                Phase(act.phase, plant.time_ms + error_ms, plant.time_ms + error_ms, "skipped", skip)
            )
            continue
        if phases:
            _read(plant, system, STRIDE_S, samples, error_ms)
            _do(plant, act, system)
            _read(plant, system, SETTLE_S, samples, error_ms)
        if act.phase == LOADS_ON and not plant.truth.loads["lamps"]:
            phases.append(Phase(act.phase, plant.time_ms, plant.time_ms, "skipped", "the lamps do not burn"))
            continue
        if act.phase == HELD:
            _read(plant, system, HAND_S - PHASE_S, samples, error_ms)
        from_ms = plant.time_ms
        long_s = COVERED_S if "panel of string" in act.phase or "free again" in act.phase else PHASE_S
        _read(plant, system, long_s, samples, error_ms)
        phases.append(Phase(act.phase, from_ms + error_ms, plant.time_ms + error_ms + 1, "confirmed"))
        todo = (
            again(
                Recording(system.site, samples, phases, Answers(), Sun(sun.elevation_deg, 40.0)), act, tries
            )
            + todo
        )
    module_C = plant.truth.air_temperature_C + 25
    said = _answers(system) if answers else Answers()
    return Recording(system.site, samples, phases, said, Sun(sun.elevation_deg, module_C))


def _answers(system: System) -> Answers:
    rng = Random(f"answers/{system.seed}")
    controller = system.world.controller
    return Answers(
        clock_error_s=system.clock_error_s + rng.uniform(-30, 30),
        absorption_V=round(controller.absorption_V, 1),
        float_V=round(controller.float_V, 1),
    )


def _do(plant: Plant, act: Act, system: System) -> None:
    hands = plant.hands
    strings = set(range(1, system.site.bank.strings_in_parallel + 1))
    if act.phase in (LOADS_OFF, LOADS_ON):
        plant.loads.set("lamps", act.phase == LOADS_ON)
    elif act.phase in (HELD, RELEASED):
        hands.on_probe = act.phase == HELD
    elif act.phase in (ARRAY_OFF, ARRAY_ON):
        hands.array_off = act.phase == ARRAY_OFF
    elif act.phase == STRINGS_ON:
        hands.strings_off = set()
    for string in range(1, 7):
        if act.phase == covered(string):
            hands.covered = {_covered_string(system, string)}
        elif act.phase == uncovered(string):
            hands.covered = set()
        elif act.phase == alone(string):
            hands.strings_off = strings - {string}
    plant.handle(lambda hands: None)


def _covered_string(system: System, string: int) -> int:
    """The string as wired to which the panel belongs that the site file counts to this one."""
    described, wired = system.site.array, system.world.array
    assert described is not None
    all_there = described.panels_in_series * described.strings_in_parallel == (
        wired.panels_in_series * wired.strings_in_parallel
    )
    return (string - 1) * described.panels_in_series // wired.panels_in_series + 1 if all_there else string


def _disturbed(values: Mapping[str, float | None], system: System, rng: Random) -> Mapping[str, float | None]:
    """As instruments really show them: the last step flickers, and now and then a value is nonsense."""
    steps = {"V": system.site.meters.voltage_step_V, "A": system.site.meters.current_step_A}
    shown = {}
    for name, value in values.items():
        step = steps.get(name.rpartition("_")[2])
        if value is None or step is None:
            shown[name] = value
            continue
        value += round(rng.gauss(0, FLICKER)) * step if value else 0.0
        shown[name] = value * SPIKE if rng.random() < SPIKE_SHARE else value
    return shown


def _read(plant: Plant, system: System, seconds: float, samples: list[Sample], error_ms: int) -> None:
    end_ms = plant.time_ms + round(seconds * 1000)
    while plant.time_ms < end_ms:
        plant.step(plant.time_ms + round(EVERY_S * 1000))
        at_ms = plant.time_ms + error_ms
        shown = {"charger": charger_values(plant.truth, system.charger_meters)}
        if system.site.metering.level == "shunt":
            shown["shunt"] = shunt_values(plant.truth, system.shunt_meters)
        rng = Random(f"{system.seed}/{plant.time_ms}")
        samples += [Sample(at_ms, name, _disturbed(values, system, rng)) for name, values in shown.items()]


CHARGER_GIVES = (
    "battery_voltage_V",
    "charge_current_A",
    "array_voltage_V",
    "array_current_A",
    "load_current_A",
    "battery_temperature_C",
    "controller_temperature_C",
    "charge_stage",
)


def charger_values(truth: Truth, meters: MeterSettings) -> Mapping[str, float | None]:
    """What the controller shows, as the registers of the simulator's charger have it; silent without
    supply."""
    if not truth.powered:
        return dict.fromkeys(CHARGER_GIVES)
    metered = meters.current_A(truth.load_current_A) if truth.load_current_A > 0 else 0.0
    missing = "probe_missing" in truth.faults
    return {
        "battery_voltage_V": meters.voltage_V(truth.battery_voltage_V),
        "charge_current_A": meters.current_A(truth.charge_current_A),
        "array_voltage_V": meters.voltage_V(truth.array_voltage_V),
        "array_current_A": max(0.0, meters.current_A(truth.array_current_A)),
        "load_current_A": max(0.0, metered),
        "battery_temperature_C": None if missing else meters.temperature_C(truth.probe_temperature_C),
        "controller_temperature_C": meters.temperature_C(truth.controller_temperature_C),
        "charge_stage": float(truth.charge_stage),
    }


def shunt_values(truth: Truth, meters: MeterSettings) -> Mapping[str, float | None]:
    """What the shunt shows, as the simulator's text lines have it."""
    missing = "probe_missing" in truth.faults
    return {
        "battery_voltage_V": meters.voltage_V(truth.posts_voltage_V),
        "battery_current_A": meters.current_A(truth.shunt_current_A),
        "battery_temperature_C": None if missing else meters.temperature_C(truth.battery_temperature_C),
    }
