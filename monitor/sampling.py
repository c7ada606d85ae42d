"""From a poll's readings to the estimator's sample, and from its estimate back to readings.

Whoever runs the estimator over readings (the daemon as they come, a rebuild over the stored ones) takes this
road, so that both see the same samples and store the same. May import bank, derive, site, records.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from monitor.bank.sample import BankEstimate, BankSample
from monitor.derive import DERIVED, derived_readings
from monitor.quantities import Stage
from monitor.records import Quality, Reading
from monitor.site.model import Site

ESTIMATE = "estimate"
"""The device name under which estimates are stored."""

ESTIMATOR_NOTE = "estimator"
"""Key of the store's note that holds the estimator's state."""

BASIS_NOTE = "estimate-basis"
"""Key of the note with the words on what the newest estimate rests on, one a line."""

SLOW_QUANTITIES = ("bank_capacity_Ah", "bank_capacity_sd_Ah", "unseen_load_A")

VOLTAGE = "battery_voltage_V"
NET_CURRENT = "battery_current_A"
NET_QUANTITIES = (NET_CURRENT, "battery_power_W")

FRESH_POLLS = 3
"""A value older than this many of its device's periods is not used any more (our choice: one lost frame
is noise, three are an outage)."""

FRESH_FLOOR_S = 20.0
"""But a value this young always is: fast devices lose several frames in a row to one disturbance."""

FOREIGN_FRESH_MS = 180_000
"""How long a value of a device that is not in the site file (imported, or taken out since) is used: three
periods of a log by the minute (our choice)."""


class PresentView:
    """The good values that are fresh now, one a quantity: the best-ranked device that gives it wins."""

    def __init__(self, site: Site) -> None:
        self._rank = {device.name: rank for rank, device in enumerate(site.devices)}
        self._fresh_ms = {
            device.name: round(1000 * max(FRESH_FLOOR_S, FRESH_POLLS * site.slowest_every_s(device)))
            for device in site.devices
        }
        self._held: dict[str, dict[str, Reading]] = {}

    def knows(self, device: str) -> bool:
        """Whether the device is in the site file."""
        return device in self._rank

    def rank(self, device: str) -> int:
        """The device's place in the site file, 0 first; all that is not in it comes behind."""
        return self._rank.get(device, len(self._rank))

    def take(self, readings: Sequence[Reading]) -> None:
        for reading in readings:
            held = self._held.setdefault(reading.quantity, {})
            if reading.quality is Quality.GOOD:
                held[reading.device] = reading
            elif reading.quality is Quality.SUSPECT:
                held.pop(reading.device, None)

    def best(self, quantity: str, now_ms: int) -> Reading | None:
        """The best-ranked fresh reading of a quantity, None where there is none."""
        fresh = [
            reading
            for reading in self._held.get(quantity, {}).values()
            if abs(now_ms - reading.time_ms) <= self._fresh_ms.get(reading.device, FOREIGN_FRESH_MS)
        ]
        return min(fresh, key=lambda reading: self.rank(reading.device), default=None)

    def values(self, now_ms: int) -> dict[str, float]:
        """All fresh values by quantity."""
        best = (self.best(quantity, now_ms) for quantity in self._held)
        return {reading.quantity: reading.value for reading in best if reading and reading.value is not None}


@dataclass(frozen=True, slots=True)
class Sampled:
    """What belongs to a new reading of the bank's voltage: the derived readings and the sample."""

    derived: list[Reading]
    sample: BankSample


class Sampler:
    """Makes the estimator's samples from the readings of one poll after another."""

    def __init__(self, site: Site) -> None:
        self._metering = site.metering
        self._view = PresentView(site)
        self._shunt: str | None = None

    def metered(self, readings: Sequence[Reading]) -> Sequence[Reading]:
        """At level 'shunt' only the shunt's word on the net is good: a controller sees only its own part.

        The shunt is the best-ranked device of the site file that gives the net current. readings are of one
        device; one that is not in the site file is believed as it was when it was stored.
        """
        if self._metering.level != "shunt" or not readings:
            return readings
        device = readings[0].device
        if not self._view.knows(device):
            return readings
        if any(reading.quantity == NET_CURRENT for reading in readings):
            self._shunt = min(self._shunt or device, device, key=self._view.rank)
        if device == self._shunt:
            return readings
        return [
            replace(reading, quality=Quality.SUSPECT, reason="this device does not see every load")
            if reading.quantity in NET_QUANTITIES and reading.quality is Quality.GOOD
            else reading
            for reading in readings
        ]

    def take(self, readings: Sequence[Reading]) -> Sampled | None:
        """Take the readings of one poll into view; a sample where they hold the best voltage there is.

        readings have been through `metered`.
        """
        self._view.take(readings)
        voltage = next((r for r in readings if r.quantity == VOLTAGE), None)
        if voltage is None or voltage.quality is not Quality.GOOD:
            return None
        if self._view.best(VOLTAGE, voltage.time_ms) is not voltage:
            return None
        metering = self._metering
        present = self._view.values(voltage.time_ms)
        derived = derived_readings(present, voltage.time_ms, metering.level, metering.monitor_power_W)
        # not with the derived net current: a shunt's word is all of it, this leaves out what no meter sees
        return Sampled(derived, _sample(present, voltage.time_ms))


class Keeper:
    """What is stored of one estimate after another.

    The charge and its deviation always; the stage only where no device told it in the sample; capacity and
    unseen load, which are weighed every few minutes, only where they have changed.
    """

    def __init__(self) -> None:
        self._slow: tuple[float | None, ...] = ()

    def readings(self, estimate: BankEstimate, sample: BankSample) -> list[Reading]:
        """The readings to store of an estimate that belongs to this sample."""
        told = [("state_of_charge", estimate.soc), ("state_of_charge_sd", estimate.soc_sd)]
        if sample.stage is None:
            told.append(("charge_stage", float(estimate.stage)))
        slow = (estimate.capacity_Ah, estimate.capacity_sd_Ah, estimate.unseen_load_A)
        if slow != self._slow:
            told += [
                (name, round(value, 3))
                for name, value in zip(SLOW_QUANTITIES, slow, strict=True)
                if value is not None
            ]
            self._slow = slow
        return [_estimated(estimate, quantity, value) for quantity, value in told]


def _estimated(estimate: BankEstimate, quantity: str, value: float | None) -> Reading:
    if value is None:
        why = "; ".join(estimate.basis)
        return Reading(estimate.time_ms, ESTIMATE, quantity, None, Quality.MISSING, why)
    return Reading(estimate.time_ms, ESTIMATE, quantity, value)


def measuring(latest: Iterable[Reading]) -> set[str]:
    """The sources among a store's latest readings whose values were measured or imported, not worked out."""
    return {reading.device for reading in latest} - {DERIVED, ESTIMATE}


def polls_of(readings: Iterable[Reading]) -> Iterator[list[Reading]]:
    """Stored readings, in order of time and device, as the polls they came from."""
    for _, poll in groupby(readings, key=lambda reading: (reading.time_ms, reading.device)):
        yield list(poll)


def _sample(present: dict[str, float], time_ms: int) -> BankSample:
    stage = present.get("charge_stage")
    return BankSample(
        time_ms=time_ms,
        battery_voltage_V=present[VOLTAGE],
        battery_current_A=present.get(NET_CURRENT),
        charge_current_A=present.get("charge_current_A"),
        load_current_A=present.get("load_current_A"),
        battery_temperature_C=present.get("battery_temperature_C"),
        array_voltage_V=present.get("array_voltage_V"),
        array_current_A=present.get("array_current_A"),
        stage=None if stage is None else Stage(int(stage)),
    )
