"""Run the stored records anew with PyBaMM (extra `physics`): python -m tests.banks.stored.make [--check]

Two sites whose bank is one of PyBaMM's models (Sulzer et al. 2021, J. Open Research Software 9(1)):

* lead-acid, leading-order quasi-static, parameter set Sulzer2019 (17 Ah valve-regulated cells): Sulzer,
  Chapman, Please, Howey, Monroe 2019, J. Electrochem. Soc. 166(12) and (13). The model takes on charge
  beyond 100 % as readily as below, so the site is one that never gets full. No side reactions, 21.7 °C.
* lithium iron phosphate, single particle model, parameter set Prada2013 (2.3 Ah cells): Prada et al. 2013,
  J. Electrochem. Soc. 160(4). 25 °C.

Cells in parallel make the bank's size. What is missing is counted from full; the capacity is what a discharge
from full at the 20-hour rate gives, down to 1.75 V (lead-acid) or 2.5 V. With --check the first two days are
run and compared with the stored ones.
"""

from __future__ import annotations

import argparse
import os
import sys
from typing import Any

from tests.banks.site import Instant, Site, run
from tests.banks.stored import load, save

CHECKED_ROWS = 2 * 1440
CLOSE_V = 0.005
FARADAY_STEP_S = 60.0


def _simulation(kind: str) -> Any:
    os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
    import pybamm

    pybamm.set_logging_level("ERROR")
    if kind == "lead":
        model, parameters = pybamm.lead_acid.LOQS(), pybamm.ParameterValues("Sulzer2019")
    else:
        model, parameters = pybamm.lithium_ion.SPM(), pybamm.ParameterValues("Prada2013")
    parameters.update(
        {
            "Current function [A]": "[input]",
            "Lower voltage cut-off [V]": 0.5,
            "Upper voltage cut-off [V]": 5.0,
        }
    )
    return pybamm.Simulation(model, parameter_values=parameters)


END_V = {"lead": 1.75, "iron": 2.5}
FIRST_GUESS_AH = {"lead": 17.0, "iron": 2.3}


class PybammBank:
    """Such cells in series and parallel, a step of a minute at a time. Voltages are those at a step's end."""

    def __init__(self, kind: str, cells: int, parallel: int, start_soc: float, temperature_C: float) -> None:
        self._cells, self._parallel, self.temperature_C = cells, parallel, temperature_C
        self._tried: dict[float, tuple[Any, float]] = {}
        self._cell_Ah = FIRST_GUESS_AH[kind]
        for _ in range(3):
            self._simulation = _simulation(kind)  # a used one would start where it ended
            self._cell_Ah = self._discharge_Ah(END_V[kind], self._cell_Ah / 20)
        self._simulation = _simulation(kind)
        self._now: Any = None
        self._missing_Ah = 0.0
        while self.state_of_charge > start_soc:
            self.step(-self.capacity_Ah / 20, FARADAY_STEP_S / 3600, temperature_C)

    def _discharge_Ah(self, end_V: float, current_A: float) -> float:
        state, minutes = None, 0
        while True:
            state, volts = self._after(state, -current_A)
            if not volts >= end_V:  # not a number where the acid is used up
                return minutes * current_A / 60
            minutes += 1

    def _after(self, state: Any, into_A: float) -> tuple[Any, float]:
        found = self._simulation.step(
            FARADAY_STEP_S, starting_solution=state, inputs={"Current function [A]": -into_A}, save=False
        )
        return found, float(found["Voltage [V]"].entries[-1])

    def _try(self, current_A: float) -> tuple[Any, float]:
        if current_A not in self._tried:
            self._tried[current_A] = self._after(self._now, current_A / self._parallel)
        return self._tried[current_A]

    @property
    def cells(self) -> int:
        return self._cells

    @property
    def capacity_Ah(self) -> float:
        return self._cell_Ah * self._parallel

    @property
    def state_of_charge(self) -> float:
        return 1 - self._missing_Ah / self.capacity_Ah

    def voltage_V(self, current_A: float) -> float:
        return self._try(current_A)[1] * self._cells

    def step(self, current_A: float, hours: float, air_C: float) -> None:
        if abs(hours * 3600 - FARADAY_STEP_S) > 1e-6:
            raise ValueError(f"steps are of {FARADAY_STEP_S:g} s, not {hours * 3600:g} s")
        self._now = self._try(current_A)[0]
        self._tried.clear()
        self._missing_Ah -= current_A * hours


def differences(stored: list[Instant], anew: list[Instant]) -> float:
    """Largest difference of voltage [V]."""
    return max(abs(a.voltage_V - b.voltage_V) for a, b in zip(stored, anew, strict=True))


def main() -> None:
    from dataclasses import replace

    from tests.banks.library import SITES

    parser = argparse.ArgumentParser(description="Run the stored records anew with PyBaMM.")
    parser.add_argument("--check", action="store_true", help="compare two days, write nothing")
    asked = parser.parse_args()
    sites: list[Site] = [site for site in SITES.values() if site.stored]
    for site in sites:
        if asked.check:
            anew = run(replace(site, days=CHECKED_ROWS // 1440))
            off_V = differences(load(site.name)[:CHECKED_ROWS], anew)
            print(f"{site.name}: voltages within {off_V:.4f} V of the stored ones")
            if off_V > CLOSE_V:
                sys.exit(f"{site.name}: the stored record is not what PyBaMM gives now")
        else:
            course = run(site)
            save(site.name, course)
            socs = [now.soc for now in course]
            print(f"{site.name}: {len(course)} rows, charge {min(socs):.3f} to {max(socs):.3f}")


if __name__ == "__main__":
    main()
