"""Shepherd's discharge curve in the generic form of Tremblay and Dessaint 2009.

Equations from memory, the lead-acid exponential zone and the example set (12 V, 1.2 Ah) among them.
Ours: the gassing branch (a Tafel law), the share and temperature laws, the relaxation of the exponential zone
at rest, and that the charging resistance K Q / (it + small) ends at a smaller rest than the published 0.1 Q,
because with that a full bank would take on charge for ever.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from random import Random

from tests.banks.model import self_discharge_Ah, settled, split


@dataclass(frozen=True, slots=True)
class Shepherd:
    """Parameters of a 12 V block; q_Ah is Shepherd's Q."""

    q_Ah: float = 1.2
    e0_V: float = 12.4659
    r_ohm: float = 0.04
    k_V_per_Ah: float = 0.047
    a_V: float = 0.83
    b_per_Ah: float = 125.0
    end_share: float = 0.1  # the 0.1 Q of the published charging term
    charging_factor: float = 1.0
    usable_share: float = 1.0  # 20-hour capacity over Q (ours)
    capacity_per_C: float = 0.007
    gas_A: float = 0.0  # at 14.4 V and 25 °C (ours)
    gas_V: float = 0.35  # the voltage that multiplies it by e (ours)
    rest_h: float = 4.0  # relaxation of the exponential zone (ours)
    self_discharge: float = 0.05

    def discharge_V(self, removed_Ah: float, filtered_A: float, current_A: float, zone_V: float) -> float:
        """E0 - K Q/(Q - it) (it + i*) + Exp - R i; currents positive out of the bank."""
        pole = self.k_V_per_Ah * self.q_Ah / max(1e-3 * self.q_Ah, self.q_Ah - removed_Ah)
        return self.e0_V - pole * (removed_Ah + filtered_A) + zone_V - self.r_ohm * current_A

    def charge_V(self, removed_Ah: float, filtered_A: float, current_A: float, zone_V: float) -> float:
        """As on discharge, but i* acts through K Q/(it + 0.1 Q); currents negative here."""
        pole = self.k_V_per_Ah * self.q_Ah / max(1e-3 * self.q_Ah, self.q_Ah - removed_Ah)
        end = (
            self.charging_factor
            * self.k_V_per_Ah
            * self.q_Ah
            / (max(0.0, removed_Ah) + self.end_share * self.q_Ah)
        )
        return self.e0_V - pole * removed_Ah - end * filtered_A + zone_V - self.r_ohm * current_A


TREMBLAY = Shepherd()


def sized(capacity_Ah: float, rng: Random) -> Shepherd:
    """A 12 V block of that 20-hour capacity, drawn so that its rest curve lies among the published tables.

    All spans are ours: Q half as large again as the capacity, so that Shepherd's pole lies beyond empty.
    """
    usable = rng.uniform(0.62, 0.72)
    q_Ah = capacity_Ah / usable
    return Shepherd(
        q_Ah=q_Ah,
        e0_V=rng.uniform(12.60, 12.82),
        r_ohm=rng.uniform(0.3, 0.8) / capacity_Ah,
        k_V_per_Ah=rng.uniform(0.45, 0.60) / q_Ah,
        a_V=rng.uniform(0.25, 0.5),
        b_per_Ah=rng.uniform(30, 90) / capacity_Ah,
        end_share=rng.uniform(0.002, 0.004),
        charging_factor=rng.uniform(1.5, 3.0),
        usable_share=usable,
        capacity_per_C=rng.uniform(0.005, 0.009),
        gas_A=capacity_Ah * rng.uniform(0.002, 0.007),
        gas_V=rng.uniform(0.28, 0.40),
        rest_h=rng.uniform(2.0, 6.0),
        self_discharge=rng.uniform(0.01, 0.06),
    )


class ShepherdBank:
    """Blocks of 12 V in series."""

    def __init__(
        self, block: Shepherd, cells: int, start_soc: float, temperature_C: float, warming_h: float = 10.0
    ) -> None:
        self.block, self._cells, self.temperature_C = block, cells, temperature_C
        self._warming_h = warming_h
        self._missing_Ah = (1 - start_soc) * self.capacity_Ah
        self._zone_V = 0.0

    @property
    def cells(self) -> int:
        return self._cells

    @property
    def capacity_Ah(self) -> float:
        block = self.block
        return block.q_Ah * block.usable_share * self._warmth

    @property
    def _warmth(self) -> float:
        return 1 + self.block.capacity_per_C * (self.temperature_C - 25)

    @property
    def state_of_charge(self) -> float:
        return min(1.0, max(0.0, 1 - self._missing_Ah / self.capacity_Ah))

    @property
    def _it_Ah(self) -> float:
        """Shepherd's `it`: cold makes the same charge weigh more."""
        return self._missing_Ah / self._warmth

    def _gas_A(self, block_V: float) -> float:
        hot = 2 ** ((self.temperature_C - 25) / 10)
        return self.block.gas_A * hot * exp(min(20.0, (block_V - 14.4) / self.block.gas_V))

    def _main_V(self, main_A: float) -> float:
        """Block voltage by main current (positive in), as it will be once i* has followed."""
        if main_A > 0:
            return self.block.charge_V(self._it_Ah, -main_A, -main_A, self._zone_V)
        return self.block.discharge_V(self._it_Ah, -main_A, -main_A, self._zone_V)

    def _main_A(self, current_A: float) -> float:
        return split(current_A, self._main_V, self._gas_A)

    def voltage_V(self, current_A: float) -> float:
        return self._main_V(self._main_A(current_A)) * self._cells / 6

    def step(self, current_A: float, hours: float, air_C: float) -> None:
        block = self.block
        main_A = self._main_A(current_A)
        # Exp' = B |i| (-Exp + A u), u = 1 on charge; at rest it relaxes by itself (ours)
        goal_V = block.a_V if main_A > 0 else 0.0
        rate_per_h = block.b_per_Ah * abs(main_A)
        rest_per_h = 1 / block.rest_h
        together = rate_per_h + rest_per_h
        self._zone_V = settled(self._zone_V, goal_V * rate_per_h / together, hours, 1 / together)
        self._missing_Ah = max(0.0, self._missing_Ah - main_A * hours)
        lost = self_discharge_Ah(self.capacity_Ah, block.self_discharge, self.temperature_C, hours)
        self._missing_Ah = min(self._missing_Ah + lost, self.block.q_Ah * 0.98)
        self.temperature_C = settled(self.temperature_C, air_C, hours, self._warming_h)
