"""A device that carries the SunSpec marker: its chain is read once, then only what stands for quantities."""

from __future__ import annotations

from monitor.clock import Clock
from monitor.devices.health import HealthRecord
from monitor.devices.link import RegisterLink
from monitor.devices.planner import Cost, Request, plan
from monitor.devices.profile import Point, SunSpecProfile
from monitor.devices.sunspec.chain import FUNCTION, Chain, ModelAt, Reader, find_chain, read_model
from monitor.devices.sunspec.models import HEADER, definition
from monitor.devices.sunspec.sources import Source, sources
from monitor.devices.words import Judged, Meaning, as_readings
from monitor.errors import BadFrame, Refused
from monitor.quantities import Fault
from monitor.records import Quality, Reading

FAULTS = "fault_bits"


class SunSpecDevice:
    """A Modbus unit with a SunSpec map behind a link that other units may share.

    `quantities` is empty until the chain was read; then it has what the device has ever given.
    """

    def __init__(
        self,
        name: str,
        profile: SunSpecProfile,
        link: RegisterLink,
        unit: int,
        cost: Cost,
        every_s: float,
        health: HealthRecord,
        clock: Clock,
    ) -> None:
        self.name, self.every_s, self.health, self.clock = name, every_s, health, clock
        self.quantities: tuple[str, ...] = ()
        self._profile, self._link, self._cost = profile, link, cost
        self._reader = Reader(link, unit)
        self._reader.largest = profile.largest_request
        self._chain: Chain | None = None
        self._used: tuple[ModelAt, ...] = ()
        self._sources: dict[str, tuple[Source, ...]] = {}
        self._chosen: dict[str, Source] = {}
        self._requests: tuple[Request, ...] = ()
        self._registers: dict[int, int] = {}

    def poll(self, again: bool = False) -> list[Reading]:
        """See Device. Where another map is found than before, it is read anew."""
        if not again:
            self._registers = {}
        try:
            if self._chain is None:
                self._read_map()
            self._read_registers()
            if not self._is_same_map():
                self._chain = None
                raise BadFrame(
                    f"{self._reader.where}: holds another SunSpec map than before; it is read anew at the "
                    "next poll"
                )
        finally:
            self.health.remark = " ".join(self._remarks())
        answers = {quantity: self._judged(quantity) for quantity in self._sources}
        given = {quantity for quantity, judged in answers.items() if judged.value is not None}
        self.quantities = tuple(
            quantity
            for quantity in self._profile.quantities
            if quantity in given or quantity in self.quantities
        )
        return as_readings(self.name, self.quantities, answers, self.clock.now_ms())

    def close(self) -> None:
        self._link.close()

    def _remarks(self) -> list[str]:
        told = list(self._link.remarks())
        if self._chain is not None:
            told += [self._chain.remark] if self._chain.remark else []
            if not self._sources:
                carried = self._chain.told()
                told.append(f"None of its SunSpec models says anything of bank, array or loads: {carried}.")
        return told

    def _read_map(self) -> None:
        chain = find_chain(self._reader)
        known = tuple(model for model in chain.models if definition(model.number) is not None)
        wanted = {number for point in self._profile.points for number in point.models}
        used = tuple(model for model in known if model.number in wanted)
        words = {model: read_model(self._reader, model) for model in used}
        self._sources = sources(self._profile, used, words)
        self._chain, self._used, self._chosen = chain, used, {}
        self._requests = self._plan()

    def _plan(self) -> tuple[Request, ...]:
        needed = {
            span
            for found in self._sources.values()
            for source in found
            for spot in source.spots
            for span in spot.addresses()
        }
        needed |= {(model.address, HEADER) for model in self._used}
        singles: dict[int, int] = {}
        for address, size in needed:
            for at in range(address, address + size, 2 if size > 1 else 1):
                singles[at] = max(size, singles.get(at, 0))  # a point may lie in another's span
        points = [
            Point(str(address), FUNCTION, address, "u32" if size > 1 else "u16", "high_first", Meaning())
            for address, size in singles.items()
        ]
        return plan(points, (), self._reader.largest, self._cost)

    def _read_registers(self) -> None:
        for request in self._requests:
            if request.address not in self._registers:
                try:
                    words = self._reader.read(request.address, request.count)
                except Refused:
                    self._chain = None  # the map may have moved: look again at the next poll
                    raise
                self._registers |= {request.address + at: word for at, word in enumerate(words)}

    def _is_same_map(self) -> bool:
        return all(
            (self._registers[model.address], self._registers[model.address + 1])
            == (model.number, model.length)
            for model in self._used
        )

    def _judged(self, quantity: str) -> Judged:
        """A quantity by the first source that the device was ever found to have implemented."""
        if quantity == FAULTS:
            return self._faults()
        if quantity in self._chosen:
            return self._chosen[quantity].judged(self._registers)
        first: Judged | None = None
        for source in self._sources[quantity]:
            judged = source.judged(self._registers)
            if judged.value is not None:
                self._chosen[quantity] = source
                return judged
            first = first or judged
        return first or Judged(None, Quality.MISSING, "not in the answer")

    def _faults(self) -> Judged:
        """All models' faults together."""
        told = [source.judged(self._registers) for source in self._sources[FAULTS]]
        values = [int(judged.value) for judged in told if judged.value is not None]
        if not values:
            return told[0]
        faults = Fault(0)
        for value in values:
            faults |= Fault(value)
        return Judged(float(faults))
