"""A drawn register map served over Modbus: gaps answer with exceptions, too long requests as well.

It is the simulator's charge controller with other registers: the same frames, pace and faults, on a serial
line or over TCP. `show` sets what is true; nothing else moves it.
"""

from __future__ import annotations

from simulator.maps.course import Facts
from simulator.maps.layout import RegisterMap
from simulator.meters import MeterSettings
from simulator.modbus_device import RegisterDevice, Registers
from simulator.plant import Truth

TRUE_METERS = MeterSettings(1.0, 0.001, 1.0, 0.0, 0.001, 0.0, 0.01)


class MapDevice(RegisterDevice):
    """One device with a drawn map."""

    kind = "drawn map"

    def __init__(self, drawn: RegisterMap, facts: Facts, unit: int = 1) -> None:
        super().__init__(unit, TRUE_METERS, 0.0, lambda: None, seed=1)  # type: ignore[arg-type, return-value]
        self.largest = drawn.largest_request
        self._map = drawn
        self._words = drawn.snapshot(facts)

    def show(self, facts: Facts) -> None:
        """From now on these are true."""
        self._words = self._map.snapshot(facts)

    def silent(self) -> bool:
        """Never: it has a supply of its own."""
        return False

    def registers(self, function: int, truth: Truth) -> Registers:
        """What a function reads now."""
        return {address: word for (own, address), word in self._words.items() if own == function}
