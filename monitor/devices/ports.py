"""The serial ports of this computer, by names that stay."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from serial.tools.list_ports import comports

BY_ID = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A serial port. path is the name to use, about what the adapter says of itself, '' for nothing."""

    path: str
    about: str = ""


def serial_ports(by_id: Path = BY_ID) -> list[FoundPort]:
    """The ports that the system lists, each under its by-id name where it has one."""
    stable = {str(link.resolve()): str(link) for link in sorted(by_id.glob("*"))} if by_id.is_dir() else {}
    ports = [FoundPort(path, Path(device).name) for device, path in stable.items()]
    for port in comports():
        device = str(Path(port.device).resolve())
        if device not in stable:
            ports.append(FoundPort(port.device, port.description if port.description != "n/a" else ""))
    return sorted(ports, key=lambda port: port.path)
