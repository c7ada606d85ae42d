"""A device that is read register by register: its profile's requests over a link."""

from __future__ import annotations

from monitor.clock import Clock
from monitor.devices.health import HealthRecord
from monitor.devices.link import RegisterLink
from monitor.devices.planner import Cost, Request, plan
from monitor.devices.profile import ModbusProfile, Point
from monitor.devices.words import Judged, as_readings, judge, number_from
from monitor.errors import Refused
from monitor.records import Quality, Reading

PASSING_REFUSALS = (4, 5, 6, 10, 11)
"""Exception codes that speak of the moment and not of the registers: device failure, acknowledge, busy,
gateway path, gateway target (MODBUS Application Protocol V1.1b3, 7)."""


class RegisterDevice:
    """A Modbus unit behind a link that other units may share."""

    def __init__(
        self,
        name: str,
        profile: ModbusProfile,
        link: RegisterLink,
        unit: int,
        cost: Cost,
        every_s: float,
        health: HealthRecord,
        clock: Clock,
    ) -> None:
        self.name, self.every_s, self.health = name, every_s, health
        self.quantities = profile.quantities
        self.requests = plan(profile.points, profile.gaps, profile.largest_request, cost)
        self._link, self._unit, self.clock = link, unit, clock
        self._answers: dict[str, Judged] = {}

    def poll(self, again: bool = False) -> list[Reading]:
        """See Device. A request that the device refuses for good leaves its own quantities missing only."""
        if not again:
            self._answers = {}
        try:
            return self._poll()
        finally:
            self.health.remark = " ".join(self._link.remarks())

    def _poll(self) -> list[Reading]:
        refusal: Refused | None = None
        for request in self.requests:
            if request.points[0].quantity in self._answers:
                continue
            try:
                words = self._link.read(self._unit, request.function, request.address, request.count)
            except Refused as error:
                if error.code in PASSING_REFUSALS:
                    raise
                refusal = error
                missing = Judged(None, Quality.MISSING, f"refused with exception {error.code:02X}")
                self._answers |= {point.quantity: missing for point in request.points}
            else:
                self._answers |= {
                    point.quantity: _read_point(point, request, words) for point in request.points
                }
        if refusal is not None and all(judged.value is None for judged in self._answers.values()):
            raise refusal
        return as_readings(self.name, self.quantities, self._answers, self.clock.now_ms())

    def close(self) -> None:
        self._link.close()


def _read_point(point: Point, request: Request, words: tuple[int, ...]) -> Judged:
    own = words[point.address - request.address : point.end - request.address]
    return judge(number_from(own, point.encoding, point.word_order), point.meaning)
