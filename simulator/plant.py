"""Sky, array, controller, bank and loads joined: one step at a time, seeded, without a clock of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from simulator.array import Array, ArrayPoint, cell_temperature_C
from simulator.bank import Bank, BankStep, build_bank
from simulator.controller import OWN_DRAW_W, Controller
from simulator.loads import Loads
from simulator.sky import SkySample
from simulator.world import World

LONGEST_STEP_S = 60.0
DIMMEST_V_PER_CELL = 1.5  # loads give up below 9 V of a 12 V bank, our choice
OVER_V_PER_CELL = 2.7
HOT_BANK_C, HOT_CONTROLLER_C = 50.0, 85.0


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything that is true in the plant at the end of a step; canonical names where there is one."""

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


@dataclass(frozen=True, slots=True)
class Solution:
    """Voltage and currents that agree with one another at one moment."""

    bank_V: float
    charge_A: float
    metered_A: float
    unseen_A: float
    held: bool

    @property
    def bank_A(self) -> float:
        return self.charge_A - self.metered_A - self.unseen_A


class Plant:
    """The whole supply. `advance_to` steps it; `truth` is what holds now."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.time_ms = world.start_ms
        self.sky = world.build_sky()
        self.array = Array(world.array)
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
        self._last_V = nominal_V
        self.truth = self._look(0.0, weather, self.loads.powers_W(self.time_ms))

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
        """Solve, let the time pass in bank and controller, and tell what was true meanwhile."""
        sun_W_m2, cell_C, best = self._sun(weather)
        solution = self._solve(best, sun_W_m2, cell_C, powers)
        if seconds > 0:
            self.last_step = self.bank.step(solution.bank_A, seconds / 3600, weather.air_temperature_C)
        controller = self.controller
        open_V = self.array.open_circuit_V(sun_W_m2, cell_C)
        awake = controller.awake(solution.bank_V, best, open_V)
        if awake:
            throttled = self._throttled(solution, best, sun_W_m2, cell_C)
            point = controller.array_point(
                solution.charge_A, solution.bank_V, throttled, best, self.array, sun_W_m2, cell_C
            )
        else:
            point = ArrayPoint(open_V, 0.0)
        controller.advance(seconds, solution.bank_V, solution.charge_A, solution.held, awake, self._probe_C())
        loss_W = max(0.0, point.power_W - solution.charge_A * solution.bank_V) + OWN_DRAW_W
        controller.warm(seconds, loss_W, weather.air_temperature_C)
        return self._truth(solution, point, weather, sun_W_m2, powers)

    def _sun(self, weather: SkySample) -> tuple[float, float, ArrayPoint]:
        sun_W_m2 = weather.irradiance_W_m2
        if weather.available_W is not None:
            sun_W_m2 = self.array.irradiance_for(weather.available_W, weather.air_temperature_C)
        cell_C = cell_temperature_C(weather.air_temperature_C, sun_W_m2, self.world.array.noct_C)
        return sun_W_m2, cell_C, self.array.maximum_power(sun_W_m2, cell_C)

    def _throttled(self, solution: Solution, best: ArrayPoint, sun_W_m2: float, cell_C: float) -> bool:
        offered = self.controller.offered_A(solution.bank_V, best, self.array, sun_W_m2, cell_C)
        return solution.held or offered >= self.world.controller.rating_A

    def _solve(self, best: ArrayPoint, sun_W_m2: float, cell_C: float, powers: dict[str, float]) -> Solution:
        """Voltage and currents on which charge, loads and bank agree, regulated at the set point."""
        controller, bank, cells = self.controller, self.bank, self.world.bank.cells
        open_V = self.array.open_circuit_V(sun_W_m2, cell_C)
        straight = self._wired_straight
        unseen_W = sum(watts for name, watts in powers.items() if name in straight) + OWN_DRAW_W
        metered_W = 0.0
        if controller.load_on:
            metered_W = sum(watts for name, watts in powers.items() if name not in straight)
        rest_V = bank.voltage_V(0.0)
        awake = controller.awake(rest_V, best, open_V)

        def offered(bank_V: float) -> float:
            return controller.offered_A(bank_V, best, self.array, sun_W_m2, cell_C) if awake else 0.0

        lowest_V = DIMMEST_V_PER_CELL * cells

        def beyond(bank_V: float) -> float:
            wanted = (metered_W + unseen_W) / bank_V
            return bank.voltage_V(offered(bank_V) - wanted) - bank_V

        limit_A = bank.largest_discharge_A(LONGEST_STEP_S / 3600)
        needed_A = (metered_W + unseen_W) / rest_V - offered(rest_V) if rest_V > lowest_V else limit_A + 1
        if needed_A > limit_A or beyond(lowest_V) < 0:
            # the bank cannot carry the loads: they go out, whatever the array gives goes in
            metered_W = unseen_W = 0.0
            if beyond(lowest_V) < 0:
                return Solution(max(rest_V, 0.1), 0.0, 0.0, 0.0, False)
        if awake:
            set_V = controller.set_point_V(self._probe_C())
            if beyond(set_V) >= 0:
                metered_A, unseen_A = metered_W / set_V, unseen_W / set_V
                charge_A = self._current_at(set_V, offered(set_V)) + metered_A + unseen_A
                if charge_A >= 0:
                    return Solution(set_V, charge_A, metered_A, unseen_A, True)
            if bank.voltage_V(-(metered_W + unseen_W) / rest_V) >= set_V:
                # the bank still stands above the set point (just come down from absorption): charge nothing
                bank_V = root(
                    lambda v: bank.voltage_V(-(metered_W + unseen_W) / v) - v,
                    lowest_V,
                    rest_V * 1.2 + 1.0,
                    rest_V,
                )
                return Solution(bank_V, 0.0, metered_W / bank_V, unseen_W / bank_V, True)
        bank_V = root(beyond, lowest_V, rest_V * 1.5 + 3.0, self._last_V)
        self._last_V = bank_V
        return Solution(bank_V, offered(bank_V), metered_W / bank_V, unseen_W / bank_V, False)

    def _current_at(self, voltage_V: float, most_A: float) -> float:
        """The current into the bank that lifts it just to a voltage."""
        low = -most_A - 1.0
        while self.bank.voltage_V(low) > voltage_V and low > -1e4:
            low *= 2
        return root(lambda amps: voltage_V - self.bank.voltage_V(amps), low, most_A + 1e-9, most_A / 2)

    def _probe_C(self) -> float | None:
        return None if self.probe_missing else self.bank.temperature_C

    def _truth(
        self,
        solution: Solution,
        point: ArrayPoint,
        weather: SkySample,
        sun_W_m2: float,
        powers: dict[str, float],
    ) -> Truth:
        bank, controller, settings = self.bank, self.controller, self.world.bank
        shown_V = solution.bank_V
        amps = {
            name: power / shown_V if name in self._wired_straight or controller.load_on else 0.0
            for name, power in powers.items()
        }
        lit = solution.metered_A + solution.unseen_A > 0
        return Truth(
            time_ms=self.time_ms,
            battery_voltage_V=shown_V,
            battery_current_A=solution.bank_A,
            charge_current_A=solution.charge_A,
            load_current_A=solution.metered_A,
            unseen_load_A=solution.unseen_A,
            battery_temperature_C=bank.temperature_C,
            controller_temperature_C=controller.temperature_C,
            array_voltage_V=point.voltage_V,
            array_current_A=point.current_A,
            charge_stage=controller.stage.value,
            midpoint_voltage_V=shown_V / 2 + settings.midpoint_offset_V,
            state_of_charge=bank.state_of_charge,
            capacity_Ah=bank.capacity_Ah,
            removed_Ah=bank.removed_Ah,
            irradiance_W_m2=sun_W_m2,
            air_temperature_C=weather.air_temperature_C,
            absorption_set_V=controller.compensated_V(self.world.controller.absorption_V, self._probe_C()),
            float_set_V=controller.compensated_V(self.world.controller.float_V, self._probe_C()),
            load_on=controller.load_on,
            faults=self._faults(shown_V),
            loads=amps if lit else dict.fromkeys(amps, 0.0),
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


def root(f: Callable[[float], float], low: float, high: float, guess: float) -> float:
    """Where a falling function crosses zero between low and high: secant steps kept inside the bracket."""
    f_low, f_high = f(low), f(high)
    if f_low <= 0:
        return low
    if f_high >= 0:
        return high
    x = guess if low < guess < high else (low + high) / 2
    for _ in range(60):
        y = f(x)
        if abs(y) < 1e-7 or high - low < 1e-9:
            return x
        if y > 0:
            low, f_low, f_high = x, y, f_high / 2  # Illinois: halve the end that stays
        else:
            high, f_high, f_low = x, y, f_low / 2
        x = (low * f_high - high * f_low) / (f_high - f_low)
    return x
