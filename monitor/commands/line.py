"""What `nightbank scan` and `nightbank match` share: how a line is named and set, and who answers on it."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.commands.parts import Decimal

if TYPE_CHECKING:
    from monitor.devices.link import RegisterLink

SERIAL_NAME = re.compile("(tty[A-Za-z]*|rfcomm)[0-9]+")
"""What a serial port is called in /dev (the kernel's own names)."""

PORTS = Path("/dev")

USUAL_TIMEOUT_S = 1.0
"""What a site file gives a device where it names nothing."""

OPTIONS = (
    click.option(
        "--unit", type=click.IntRange(1, 247), default=1, show_default=True, help="The device's number."
    ),
    click.option(
        "--baud",
        type=click.IntRange(300, 921600),
        default=9600,
        show_default=True,
        help="A serial line's speed in bit/s.",
    ),
    click.option(
        "--parity",
        type=click.Choice(["none", "even", "odd"]),
        default="none",
        show_default=True,
        help="A serial line's parity bit.",
    ),
    click.option(
        "--timeout",
        type=Decimal(0.05, 30),
        default=0.5,
        show_default=True,
        help="Wait so many seconds for each answer.",
    ),
    click.option(
        "--largest-request", type=click.IntRange(1, 125), help="Most registers in one read, if known."
    ),
    click.option("--quick", "reach", flag_value="quick", help="Look for registers at round addresses only."),
    click.option("--thorough", "reach", flag_value="thorough", help="Look at every fourth address."),
)


@dataclass(frozen=True, slots=True)
class Manner:
    """How a unit is asked: its number, the line's settings, how much of its addresses is tried."""

    unit: int
    baud: int
    parity: str
    timeout_s: float
    largest: int | None
    reach: str


def line_options(command: Callable[..., None]) -> Callable[..., None]:
    """The options of a unit on a line, handed to the command as one `manner`."""

    @functools.wraps(command)
    def with_manner(
        *,
        unit: int,
        baud: int,
        parity: str,
        timeout: float,
        largest_request: int | None,
        reach: str | None,
        **more: Any,
    ) -> None:
        command(manner=Manner(unit, baud, parity, timeout, largest_request, reach or "usual"), **more)

    for option in reversed(OPTIONS):
        with_manner = option(with_manner)
    return with_manner


def link_to(line: str, manner: Manner) -> RegisterLink:
    """The link to LINE as typed. Raises click.BadParameter for what can be no line."""
    port = serial_port(line)
    if port is not None:
        from monitor.devices.rtu import RtuLink

        return RtuLink(port, baud=manner.baud, parity=manner.parity, timeout_s=manner.timeout_s)
    from monitor.devices.tcp import TcpLink

    host, tcp_port = host_and_port(line, "LINE")
    return TcpLink(host, tcp_port, timeout_s=manner.timeout_s)


def site_keys(line: str, manner: Manner) -> dict[str, Any]:
    """The keys by which a site file names a unit on LINE."""
    port = serial_port(line)
    if port is not None:
        keys = {"connection": "serial", "port": port, "baud": manner.baud, "parity": manner.parity}
    else:
        host, tcp_port = host_and_port(line, "LINE")
        keys = {"connection": "tcp", "host": host, "tcp_port": tcp_port}
    patience = {"timeout_s": manner.timeout_s} if manner.timeout_s > USUAL_TIMEOUT_S else {}
    return keys | {"unit": manner.unit} | patience


def serial_port(line: str) -> str | None:
    """The path of the port that LINE names, None where it must be a host: 'ttyUSB0' is /dev/ttyUSB0."""
    if "/" in line:
        return line
    return str(PORTS / line) if SERIAL_NAME.fullmatch(line) else None


def host_and_port(text: str, option: str = "--host") -> tuple[str, int]:
    """'192.0.2.10', 'name:1502' or '[::1]:1502'; 502 where no port is named. Raises click.BadParameter."""
    host, colon, port = text.rpartition(":")
    if not colon or (":" in host and not host.startswith("[")):
        host, port = text, "502"
    host = host.strip("[]")
    if (
        not host
        or host != host.strip()
        or not re.fullmatch("[0-9]{1,5}", port)
        or not 1 <= int(port) <= 65535
    ):
        raise click.BadParameter(
            f"'{text}' is no address; write 192.0.2.10 or 192.0.2.10:502"
            + (", or a serial port with its folder" if option == "LINE" else ""),
            param_hint=option,
        )
    if SERIAL_NAME.fullmatch(host):
        written = f"--port {PORTS / host}" if option == "--host" else str(PORTS / host)
        raise click.BadParameter(f"{host} is a serial port, not a host; write {written}", param_hint=option)
    return host, int(port)
