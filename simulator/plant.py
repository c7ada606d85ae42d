"""Sky, array, controller, bank and loads joined: one step at a time, seeded, without a clock of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from simulator.array import Array, ArrayPoint, Light
from simulator.balance import Balance, Demand, balance, floating
from simulator.bank import Bank, BankStep
from simulator.banks import build_bank
from simulator.controller import OWN_DRAW_W, Controller
from simulator.loads import Loads
from simulator.sky import SkySample
from simulator.wiring import Hands, Leads, Probe, array_as_covered, through_shunt_A
from simulator.world import World

LONGEST_STEP_S = 60.0
DIMMEST_V_PER_CELL = 1.5  # loads give up below 9 V of a 12 V bank, our choice
OVER_V_PER_CELL = 2.7
HOT_BANK_C, HOT_CONTROLLER_C = 50.0, 85.0


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything that is true in the plant at the end of a step; canonical names where there is one.

    battery_voltage_V is at the controller, lead_drop_V above the bank's posts; powered tells whether the
    controller has a supply. Where shunt_sees_A or probe_C is left out, in a truth made by hand, shunt or
    probe is wired as it should be.
    """

    time_ms: int
    battery_voltage_V: float
    battery_current_A: float
    charge_current_A: float
    load_current_A: float
    unseen_load_A: float
    battery_temperature_C: float
    controller_temperature_C: float
    array_voltage_V: float
    array_current_A: float
    charge_stage: int
    midpoint_voltage_V: float
    state_of_charge: float
    capacity_Ah: float
    removed_Ah: float
    irradiance_W_m2: float
    air_temperature_C: float
    absorption_set_V: float
    float_set_V: float
    load_on: bool
    faults: tuple[str, ...]
    loads: dict[str, float] = field(default_factory=dict)
    lead_drop_V: float = 0.0
    shunt_sees_A: float | None = None
    probe_C: float | None = None
    powered: bool = True

    @property
    def posts_voltage_V(self) -> float:
        """At the bank's posts, where the shunt takes it."""
        return self.battery_voltage_V - self.lead_drop_V

    @property
    def shunt_current_A(self) -> float:
        """What goes through the shunt, as it is turned."""
        return self.battery_current_A if self.shunt_sees_A is None else self.shunt_sees_A

    @property
    def probe_temperature_C(self) -> float:
        """Of the controller's probe, where it really is."""
        return self.battery_temperature_C if self.probe_C is None else self.probe_C

    @property
    def array_power_W(self) -> float:
        return self.array_voltage_V * self.array_current_A

    @property
    def charge_power_W(self) -> float:
        return self.battery_voltage_V * self.charge_current_A

    @property
    def load_power_W(self) -> float:
        return self.battery_voltage_V * self.load_current_A

    @property
    def battery_power_W(self) -> float:
        return self.battery_voltage_V * self.battery_current_A

    def as_dict(self) -> dict[str, object]:
        """All values by name, for the control channel and the truth file."""
        names = [name for name in Truth.__slots__ if name not in ("faults", "loads")]
        values: dict[str, object] = {name: getattr(self, name) for name in names}
        for name in ("array_power_W", "charge_power_W", "load_power_W", "battery_power_W"):
            values[name] = getattr(self, name)
        return {**values, "faults": list(self.faults), "loads": dict(self.loads)}


class Plant:
    """The whole supply. `advance_to` steps it; `truth` is what holds now."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.time_ms = world.start_ms
        self.sky = world.build_sky()
        self.hands = Hands()
        self.handle(lambda hands: None)
        self.probe = Probe()
        self.loads = Loads(world.loads, world.place.longitude_deg, world.end_ms, world.seed)
        self.probe_missing = world.probe_missing
        weather = self.sky.at(self.time_ms)
        self.bank: Bank = build_bank(world.bank, weather.air_temperature_C, Random(f"{world.seed}/bank"))
        nominal_V = world.bank.unit_voltage_V * world.bank.units_in_series
        self.controller = Controller(
            world.controller, world.bank.capacity_Ah, nominal_V, weather.air_temperature_C
        )
        self.last_step: BankStep | None = None
        self._wired_straight = {load.name for load in world.loads if not load.metered}
        self.truth = self._look(0.0, weather, self.loads.powers_W(self.time_ms))

    def handle(self, deed: Callable[[Hands], None]) -> None:
        """Let hands do something."""
        deed(self.hands)
        least_V = 1.2 * self.world.bank.unit_voltage_V * self.world.bank.units_in_series
        self.array: Array | None = array_as_covered(
            self.world.array, self.hands.covered, least_V, self.world.controller.kind == "pwm"
        )

    def advance_to(self, time_ms: int, each: Callable[[Truth], None] | None = None) -> None:
        """Step to a time in steps of at most a minute; `each` sees the truth after every step."""
        while self.time_ms < time_ms:
            # steps end on full minutes, so that their number does not depend on how time is asked for
            minute = (self.time_ms // 60_000 + 1) * 60_000
            self.step(min(time_ms, minute))
            if each is not None:
                each(self.truth)

    def step(self, to_ms: int) -> None:
        """One step of at most LONGEST_STEP_S."""
        seconds = (to_ms - self.time_ms) / 1000
        weather = self.sky.at((self.time_ms + to_ms) // 2)
        powers = self.loads.powers_W(self.time_ms)
        self.time_ms = to_ms
        self.truth = self._look(seconds, weather, powers)

    def _look(self, seconds: float, weather: SkySample, powers: dict[str, float]) -> Truth:
        """Balance, let the time pass in bank and controller, and tell what was true meanwhile."""
        self._air_C = weather.air_temperature_C
        light = self._light(weather)
        flows = self._balance(light, powers)
        if seconds > 0:
            self.last_step = self.bank.step(flows.bank_A, seconds / 3600, weather.air_temperature_C)
        controller = self.controller
        self.probe.after(seconds, self.bank.temperature_C, self.hands.on_probe)
        point = ArrayPoint(light.open_V, 0.0)
        if flows.awake and self.array is not None:
            point = controller.array_point(flows.charge_A, flows.bank_V, self.array, light)
        load_was_on = controller.load_on
        controller.advance(seconds, flows.bank_V, flows.charge_A, flows.held, flows.awake, self._probe_C())
        loss_W = max(0.0, point.power_W - flows.charge_A * flows.bank_V) + OWN_DRAW_W
        controller.warm(seconds, loss_W, weather.air_temperature_C)
        amps = {
            name: watts / flows.bank_V if flows.lit and (load_was_on or name in self._wired_straight) else 0.0
            for name, watts in powers.items()
        }
        return self._truth(flows, point, light, weather, amps)

    def _light(self, weather: SkySample) -> Light:
        irradiance_W_m2 = weather.irradiance_W_m2
        if weather.available_W is not None and self.array is not None:
            irradiance_W_m2 = self.array.irradiance_for(weather.available_W, weather.air_temperature_C)
        if self.array is None or self.hands.array_off or not self.world.wiring.array_switch:
            return Light(irradiance_W_m2, weather.air_temperature_C, ArrayPoint(0.0, 0.0), 0.0)
        return self.array.light(irradiance_W_m2, weather.air_temperature_C)

    def _bank_joined(self) -> bool:
        """Whether the controller is connected with any string of the bank; says the bank with how many."""
        settings = self.world.bank
        strings = settings.strings_in_parallel - len(
            [number for number in self.hands.strings_off if number <= settings.strings_in_parallel]
        )
        self.bank.strings = max(1, strings)
        return strings > 0 and self.world.wiring.battery_switch and not self.hands.battery_off

    def _balance(self, light: Light, powers: dict[str, float]) -> Balance:
        metered_W = sum(watts for name, watts in powers.items() if name not in self._wired_straight)
        unseen_W = sum(watts for name, watts in powers.items() if name in self._wired_straight)
        demand = Demand(metered_W if self.controller.load_on else 0.0, unseen_W + OWN_DRAW_W)
        if not self._bank_joined():
            return floating(self.controller, self.array, light, demand, self._probe_C())
        return balance(
            Leads(self.bank, self.world.wiring.bank_lead_ohm),
            self.controller,
            self.array,
            light,
            demand,
            self._probe_C(),
            lowest_V=DIMMEST_V_PER_CELL * self.world.bank.cells,
            longest_h=LONGEST_STEP_S / 3600,
        )

    def _probe_C(self) -> float | None:
        return None if self.probe_missing else self._probe_reads_C()

    def _probe_reads_C(self) -> float:
        spot = self.world.wiring.probe_at
        return self.probe.reads_C(spot, self.bank.temperature_C, self.controller.temperature_C, self._air_C)

    def _truth(
        self, flows: Balance, point: ArrayPoint, light: Light, weather: SkySample, amps: dict[str, float]
    ) -> Truth:
        bank, controller, settings = self.bank, self.controller, self.world.bank
        joined = self._bank_joined()
        loads_A = flows.metered_A + flows.unseen_A
        shunt_A = through_shunt_A(self.world.wiring, flows.charge_A, loads_A) if joined else 0.0
        posts_V = (
            flows.bank_V - self.world.wiring.bank_lead_ohm * flows.bank_A if joined else bank.voltage_V(0.0)
        )
        return Truth(
            time_ms=self.time_ms,
            battery_voltage_V=flows.bank_V,
            battery_current_A=flows.bank_A,
            charge_current_A=flows.charge_A,
            load_current_A=flows.metered_A,
            unseen_load_A=flows.unseen_A,
            battery_temperature_C=bank.temperature_C,
            controller_temperature_C=controller.temperature_C,
            array_voltage_V=point.voltage_V,
            array_current_A=point.current_A,
            charge_stage=controller.stage.value,
            midpoint_voltage_V=flows.bank_V / 2 + settings.midpoint_offset_V,
            state_of_charge=bank.state_of_charge,
            capacity_Ah=bank.capacity_Ah,
            removed_Ah=bank.removed_Ah,
            irradiance_W_m2=light.irradiance_W_m2,
            air_temperature_C=weather.air_temperature_C,
            absorption_set_V=controller.compensated_V(self.world.controller.absorption_V, self._probe_C()),
            float_set_V=controller.compensated_V(self.world.controller.float_V, self._probe_C()),
            load_on=controller.load_on,
            faults=self._faults(flows.bank_V),
            loads=amps,
            lead_drop_V=flows.bank_V - posts_V,
            shunt_sees_A=shunt_A,
            probe_C=self._probe_reads_C(),
            powered=flows.bank_V > 0,
        )

    def _faults(self, bank_V: float) -> tuple[str, ...]:
        cells, controller = self.world.bank.cells, self.controller
        found = {
            "battery_over_voltage": bank_V
            > max(OVER_V_PER_CELL * cells, self.world.controller.equalization_V + 1.5),
            "battery_under_voltage": bank_V < self.world.controller.disconnect_V,
            "controller_over_temperature": controller.temperature_C > HOT_CONTROLLER_C,
            "load_disconnected": not controller.load_on,
            "probe_missing": self.probe_missing,
            "battery_over_temperature": self.bank.temperature_C > HOT_BANK_C,
        }
        return tuple(name for name, there in found.items() if there)
