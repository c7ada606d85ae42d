"""What a fleet is asked to do, and the names under which its readings are sent."""

from __future__ import annotations

from dataclasses import dataclass

DAY_MS = 86_400_000

MEASUREMENT = "nightbank"
DEVICES: dict[str, tuple[str, ...]] = {
    "shunt": ("battery_voltage_V", "battery_current_A", "battery_temperature_C"),
    "charger": (
        "array_voltage_V",
        "array_current_A",
        "charge_current_A",
        "load_current_A",
        "controller_temperature_C",
        "charge_stage",
    ),
}
"""What each device gives; the stage is a whole number."""

QUANTITIES = tuple(name for names in DEVICES.values() for name in names)

LATEST_STAMP_MS = 500
"""No stamp lies later after its poll's own time: the devices are asked one after the other, and answer when
they do."""


class FleetError(RuntimeError):
    """The fleet cannot go on; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Plan:
    """sites of them, polled every_ms from start_ms on for span_ms, each sending every send_every_ms."""

    sites: int
    start_ms: int
    span_ms: int
    every_ms: int
    send_every_ms: int
    seed: int

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.span_ms

    @property
    def polls(self) -> int:
        """Polls of one site."""
        return self.span_ms // self.every_ms

    @property
    def lines(self) -> int:
        """Lines of all sites: one for each device and poll."""
        return self.sites * self.polls * len(DEVICES)
