"""What a device is to the poll loop, and the lines of a site.

Devices on the same port or host share one wire, and so one thread.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from monitor.clock import Clock
from monitor.devices.health import HealthRecord
from monitor.devices.link import RegisterLink
from monitor.devices.planner import NETWORK_COST, Cost
from monitor.devices.port import SerialPort
from monitor.devices.profile import DeviceProfile, ModbusProfile, SunSpecProfile, TextProfile
from monitor.devices.profile_file import find_profile
from monitor.devices.registers import RegisterDevice
from monitor.devices.text_device import TextDevice
from monitor.devices.timing import LineTiming
from monitor.errors import Problem, ProfileError, SiteError
from monitor.records import Reading
from monitor.site.model import DeviceEntry, Site

Numbered = tuple[int, DeviceEntry, DeviceProfile]


class Device(Protocol):
    """What the poll loop knows of a device. Used by one thread at a time."""

    @property
    def name(self) -> str:
        """The site file's name of the device."""

    @property
    def every_s(self) -> float:
        """The period in which it is polled."""

    @property
    def quantities(self) -> tuple[str, ...]:
        """The canonical quantities that it can give."""

    @property
    def clock(self) -> Clock:
        """What stamps its readings."""

    @property
    def health(self) -> HealthRecord:
        """How it has been answering."""

    def poll(self, again: bool = False) -> list[Reading]:
        """One reading of each quantity, all stamped with the time of the last answer. Raises DeviceError.

        again: directly after a poll that failed, ask only for what that one did not get.
        """

    def close(self) -> None:
        """Release its wire; may be called twice."""


@dataclass(frozen=True, slots=True)
class Line:
    """One wire with the devices on it. port is the serial port's path, None for a network connection."""

    name: str
    port: str | None
    devices: tuple[Device, ...]

    def close(self) -> None:
        """Release the wire; may be called twice."""
        for device in self.devices:
            device.close()


def build_lines(site: Site, site_dir: Path, clock: Clock) -> list[Line]:
    """The lines of the site's devices, in the order of the site file; nothing is opened yet.

    A profile is a shipped one's name or a path relative to site_dir. Raises SiteError, whose problems name
    keys but no lines (`site.load.placed` adds them), for profiles that cannot be used and devices that
    contradict each other.
    """
    groups: dict[tuple[str, int], list[Numbered]] = {}
    problems: list[Problem] = []
    for index, entry in enumerate(site.devices):
        wire = entry.port if entry.connection == "serial" else entry.host
        if wire is None:
            key = "port" if entry.connection == "serial" else "host"
            text = f'is missing: connection = "{entry.connection}" needs it'
            problems.append(Problem(f"devices[{index}].{key}", None, text))
            continue
        try:
            numbered = index, entry, find_profile(entry.profile, site_dir)
        except ProfileError as error:
            here = f"devices[{index}].profile"
            problems.extend(Problem(here, None, f"{error.file}: {fault}") for fault in error.problems)
            continue
        groups.setdefault((wire, entry.tcp_port if entry.connection == "tcp" else 0), []).append(numbered)
    for group in groups.values():
        problems.extend(_contradictions(group))
    if problems:
        raise SiteError("site file", tuple(problems))
    return [_line(group, clock) for group in groups.values()]


def time_tellers(site: Site, site_dir: Path) -> Iterator[tuple[int, DeviceEntry]]:
    """The devices whose lines tell the time, with their index. Raises ProfileError, as `build_lines` does."""
    for index, entry in enumerate(site.devices):
        profile = find_profile(entry.profile, site_dir)
        if isinstance(profile, TextProfile) and profile.time is not None:
            yield index, entry


def weakly_guarded(site: Site, site_dir: Path) -> Iterator[tuple[int, DeviceEntry]]:
    """The devices of whose lines an exclusive or alone says that they are sound, where a value has no largest
    step either, with their index. Raises ProfileError, as `build_lines` does."""
    for index, entry in enumerate(site.devices):
        profile = find_profile(entry.profile, site_dir)
        fields = profile.fields if isinstance(profile, TextProfile) and profile.checksum == "xor" else ()
        if any(field.largest_step is None and not field.meaning.codes for field in fields):
            yield index, entry


def level_doubts(site: Site, site_dir: Path) -> Iterator[str]:
    """Where what the devices give does not go with the metering level, in words. Raises ProfileError, as
    `build_lines` does.

    Of a device with the SunSpec marker only the device itself knows what it gives: it may give all.
    """
    profiles = [(entry.name, find_profile(entry.profile, site_dir)) for entry in site.devices]
    given = {quantity for _, profile in profiles for quantity in profile.quantities}
    level = site.metering.level
    shunts = [
        name
        for name, profile in profiles
        if "battery_current_A" in profile.quantities and not isinstance(profile, SunSpecProfile)
    ]
    if profiles and level == "shunt" and "battery_current_A" not in given:
        yield "no device gives battery_current_A: what the bank takes and gives would not be known"
    if profiles and level == "controller" and "load_current_A" not in given:
        yield 'no device gives load_current_A; where nothing meters the loads, write level = "charging"'
    if level != "shunt" and shunts:
        yield (
            f"{' and '.join(shunts)} gives battery_current_A: where that is every current of the bank, write"
            ' level = "shunt"; what a controller works out itself is not'
        )


def _contradictions(group: list[Numbered]) -> Iterator[Problem]:
    first = group[0][1]
    units: dict[int, str] = {}
    for index, entry, profile in group:
        here = f"devices[{index}]"
        if isinstance(profile, TextProfile) and entry.connection == "tcp":
            text = f'profile "{profile.name}" is of text lines, which come over connection = "serial"'
            yield Problem(f"{here}.connection", None, text)
        if isinstance(profile, TextProfile) and len(group) > 1:
            others = ", ".join(other.name for _, other, _ in group if other is not entry)
            yield Problem(f"{here}.port", None, f"a sender of text needs its port alone, not with {others}")
        for key in ("baud", "parity", "stop_bits") if entry.connection == "serial" else ():
            here_is, first_is = getattr(entry, key), getattr(first, key)
            if here_is != first_is:
                text = f"{here_is} contradicts {first_is} of {first.name} on the same port; make them equal"
                yield Problem(f"{here}.{key}", None, text)
        if not isinstance(profile, TextProfile):
            other = units.setdefault(entry.unit, entry.name)
            if other != entry.name:
                text = f"{entry.unit} is {other}'s on the same line; each device needs a unit of its own"
                yield Problem(f"{here}.unit", None, text)


def _line(group: list[Numbered], clock: Clock) -> Line:
    _, first, profile = group[0]
    name = f"{first.host}:{first.tcp_port}" if first.connection == "tcp" else str(first.port)
    port = first.port if first.connection == "serial" else None
    if isinstance(profile, TextProfile):
        return Line(name, port, (_text_device(first, profile, clock),))
    link = _link(first, max(entry.timeout_s for _, entry, _ in group))
    devices = tuple(
        _register_device(entry, profile, link, clock)
        for _, entry, profile in group
        if not isinstance(profile, TextProfile)
    )
    return Line(name, port, devices)


def _link(entry: DeviceEntry, timeout_s: float) -> RegisterLink:
    # pymodbus is heavy: a site without Modbus, or with one kind of it, loads no more than it needs
    if entry.connection == "tcp":
        from monitor.devices.tcp import TcpLink

        return TcpLink(str(entry.host), entry.tcp_port, timeout_s=timeout_s)
    from monitor.devices.rtu import RtuLink

    return RtuLink(
        str(entry.port), baud=entry.baud, parity=entry.parity, stop_bits=entry.stop_bits, timeout_s=timeout_s
    )


def _register_device(
    entry: DeviceEntry, profile: ModbusProfile | SunSpecProfile, link: RegisterLink, clock: Clock
) -> Device:
    cost = NETWORK_COST if entry.connection == "tcp" else serial_cost(_timing(entry), profile.turnaround_s)
    health = HealthRecord(entry.name, _connection(entry), clock.now_ms())
    if isinstance(profile, SunSpecProfile):
        from monitor.devices.sunspec.device import SunSpecDevice

        return SunSpecDevice(entry.name, profile, link, entry.unit, cost, entry.every_s, health, clock)
    return RegisterDevice(entry.name, profile, link, entry.unit, cost, entry.every_s, health, clock)


def serial_cost(timing: LineTiming, turnaround_s: float) -> Cost:
    """What a request costs on a serial line: frames, silent intervals and the device's turnaround."""
    return Cost(timing.wire_limit_s(0, turnaround_s), timing.frame_s(2))


def _text_device(entry: DeviceEntry, profile: TextProfile, clock: Clock) -> TextDevice:
    port = SerialPort(str(entry.port), _timing(entry))
    health = HealthRecord(entry.name, _connection(entry), clock.now_ms())
    return TextDevice(entry.name, profile, port, entry.timeout_s, entry.every_s, health, clock)


def _timing(entry: DeviceEntry) -> LineTiming:
    return LineTiming(entry.baud, entry.parity, entry.stop_bits)


def _connection(entry: DeviceEntry) -> str:
    if entry.connection == "tcp":
        return f"{entry.host}:{entry.tcp_port}"
    return f"{entry.port} {entry.baud} baud"
