"""Who answers on a line: serial text first, then Modbus units at sensible speeds, parities and numbers.

Polite by design: only the two read functions, one register at a time, a rest after each question, and the
caller knows beforehand how long it takes at most. All questions go through the links that the monitor itself
reads with, so that whatever answers is held to the same guards.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from monitor.devices.asking import GATEWAY_CODES, PAUSE_S
from monitor.devices.link import RegisterLink
from monitor.devices.planner import NETWORK_COST, plan
from monitor.devices.profile import ModbusProfile
from monitor.devices.profile_file import SHIPPED, load_profile, shipped_profiles
from monitor.devices.rtu import RtuLink
from monitor.devices.sunspec.chain import Reader, find_chain
from monitor.devices.tcp import TcpLink
from monitor.devices.timing import PARITIES, REQUEST_CHARACTERS, LineTiming, reply_characters
from monitor.devices.words import judge, number_from
from monitor.errors import (
    BadFrame,
    DeviceError,
    EchoHeard,
    ForeignReply,
    LineLost,
    NoAnswer,
    NotSunSpec,
    Refused,
)
from monitor.records import Quality

SPEEDS = (9600, 19200, 115200, 4800, 38400, 57600, 2400)
"""Tried in this order: the standard's two first (MODBUS over Serial Line V1.02, 3.1), then what is common
(common practice, no source)."""

UNITS = tuple(range(1, 17))
"""Numbers that small devices are set to (our choice); --units 1-247 tries all."""

TIMEOUT_S = 0.2
"""Wait for an answer beyond its time on the wire. Our choice: a device that answers later is heard while the
next one is asked, and then asked again with more patience."""

ANY_UNIT = 4
"""A host that answers under the first four numbers answers under all of them (our choice)."""

QUESTIONS = ((3, 0), (4, 0))
"""Function and register of the one read that each number gets; the second only where the first found nobody:
a refusal is an answer, too, so nearly every device shows at the first."""


@dataclass(frozen=True, slots=True)
class Setting:
    """How a serial line is tried."""

    baud: int
    parity: str

    def words(self) -> str:
        return f"{self.baud} bit/s, " + ("no parity" if self.parity == "none" else f"{self.parity} parity")


@dataclass(frozen=True, slots=True)
class Answering:
    """One unit that answers. sunspec is its chain of models in words or None, sunspec_models their numbers,
    profile a shipped profile that fits it, remark what is odd."""

    unit: int
    sunspec: str | None = None
    sunspec_models: tuple[int, ...] = ()
    profile: str | None = None
    remark: str = ""


@dataclass(slots=True)
class Heard:
    """What was learnt of one line while it was tried, filled as the search goes on."""

    units: list[Answering] = field(default_factory=list)
    setting: Setting | None = None
    garbled: set[str] = field(default_factory=set)  # settings at which something damaged came back
    echo: bool = False
    gateway: bool = False
    any_unit: bool = False  # it answers under every number
    tried: int = 0


def settings(bauds: Sequence[int] = SPEEDS, parities: Sequence[str] = PARITIES) -> list[Setting]:
    """All settings in the order in which they are tried: each speed without parity first."""
    return [Setting(baud, parity) for baud in bauds for parity in parities]


def longest_s(tried: Sequence[Setting], units: Sequence[int], timeout_s: float) -> float:
    """How long the search on one serial line takes where nobody answers."""
    each = sum(
        LineTiming(one.baud, one.parity).frame_s(REQUEST_CHARACTERS + reply_characters(1))
        + timeout_s
        + PAUSE_S
        for one in tried
    )
    return len(QUESTIONS) * len(units) * each


def questions(tried: Sequence[Setting], units: Sequence[int]) -> int:
    """The most questions on one serial line."""
    return len(QUESTIONS) * len(units) * len(tried)


def find_on_serial(
    path: str, heard: Heard, tried: Sequence[Setting], units: Sequence[int], timeout_s: float = TIMEOUT_S
) -> Iterator[None]:
    """Try one serial port, a pause after each question; what is found stands in `heard`.

    Ends at the first setting at which anybody answers, since one line has one setting. Raises LineLost.
    """
    for function, address in QUESTIONS:
        for setting in tried:
            link = RtuLink(path, baud=setting.baud, parity=setting.parity, timeout_s=timeout_s)
            link.open()
            try:
                for _ in _ask_units(link, heard, setting.words(), units, function, address):
                    yield
                if heard.units:
                    heard.setting = setting
                    heard.units.sort(key=lambda answering: answering.unit)
                    return
            finally:
                link.close()


def find_on_network(
    host: str, port: int, heard: Heard, units: Sequence[int], timeout_s: float = 1.0
) -> Iterator[None]:
    """Try one host over Modbus TCP, as `find_on_serial`. Raises LineLost where nothing listens."""
    link = TcpLink(host, port, timeout_s=timeout_s)
    link.open()
    try:
        for function, address in QUESTIONS:
            for _ in _ask_units(link, heard, link.name, units, function, address):
                yield
            if heard.units:
                return
    finally:
        link.close()


def _ask_units(
    link: RtuLink | TcpLink, heard: Heard, where: str, units: Sequence[int], function: int, address: int
) -> Iterator[None]:
    for unit in units:
        yield
        if _answers(link, heard, where, unit, function, address):
            heard.units.append(_known(link, unit))
        if isinstance(link, TcpLink) and len(heard.units) == ANY_UNIT == heard.tried:
            heard.any_unit = True
            del heard.units[1:]
            return
    if isinstance(link, RtuLink):
        found = {answering.unit for answering in heard.units}
        for unit in link.slow_units():
            if unit not in found and _answers(link, heard, where, unit, function, address):
                heard.units.append(_known(link, unit))


def _answers(link: RegisterLink, heard: Heard, where: str, unit: int, function: int, address: int) -> bool:
    """Whether a unit answers one small read; a refusal is an answer."""
    heard.tried += 1
    try:
        link.read(unit, function, address, 1)
    except Refused as error:
        heard.gateway = heard.gateway or error.code in GATEWAY_CODES
        return error.code not in GATEWAY_CODES
    except EchoHeard:
        heard.echo = True
    except (BadFrame, ForeignReply):
        heard.garbled.add(where)
    except LineLost:
        if isinstance(link, RtuLink):
            raise  # over a network the next question makes the connection anew
    except NoAnswer:
        pass
    else:
        return True
    finally:
        time.sleep(PAUSE_S)
    return False


def _known(link: RegisterLink, unit: int) -> Answering:
    """What else a few reads tell of a unit: the SunSpec marker, a shipped profile that fits."""
    remark = " ".join(link.remarks())
    try:
        chain = find_chain(Reader(link, unit))
    except NotSunSpec:
        return Answering(unit, profile=_fitting(link, unit), remark=remark)
    except DeviceError as error:
        return Answering(unit, remark=str(error))
    numbers = tuple(model.number for model in chain.models)
    return Answering(unit, chain.told(), numbers, "sunspec", f"{remark} {chain.remark}".strip())


def _fitting(link: RegisterLink, unit: int) -> str | None:
    """The first shipped profile whose every register this unit gives with a plausible value."""
    for name in shipped_profiles():
        profile = load_profile(SHIPPED / f"{name}.toml")
        if isinstance(profile, ModbusProfile) and _fits(link, unit, profile):
            return name
    return None


def _fits(link: RegisterLink, unit: int, profile: ModbusProfile) -> bool:
    for request in plan(profile.points, profile.gaps, profile.largest_request, NETWORK_COST):
        time.sleep(PAUSE_S)
        try:
            words = link.read(unit, request.function, request.address, request.count)
        except DeviceError:
            return False
        for point in request.points:
            own = words[point.address - request.address : point.end - request.address]
            judged = judge(number_from(own, point.encoding, point.word_order), point.meaning)
            if judged.quality is Quality.SUSPECT or "not in the profile" in judged.reason:
                return False
    return True
