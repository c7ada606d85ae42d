"""`nightbank find`: which devices answer, on which line, and the site file's words that would use them."""

from __future__ import annotations

import errno
import re
from collections.abc import Sequence
from itertools import chain
from typing import TYPE_CHECKING, Any

import click

from monitor.cautions import CONNECTING_A_DEVICE
from monitor.commands.line import host_and_port, serial_port
from monitor.commands.parts import JSON, Decimal, bar_on_stderr, echo_json, in_minutes, say
from monitor.errors import LineLost
from monitor.terminal import point, wrapped

if TYPE_CHECKING:
    from monitor.devices.finding import Setting
    from monitor.devices.ports import FoundPort

FIRST_LISTEN_S = 3.0
"""How long a line is listened to before anything is asked. Our choice: whoever speaks by itself does so once
a second or two."""

EACH_LISTEN_S = 2.5
"""... and at each further speed, where something was heard."""


PART = re.compile("([0-9]{1,6})(?: *- *([0-9]{1,6}))?")
"""A number or a stretch of numbers, as in --units."""


def whole_numbers(text: str, low: int, high: int, option: str, like: str) -> tuple[int, ...]:
    """'1-16,100' as numbers in that order. Raises click.BadParameter."""
    found: list[int] = []
    for part in text.split(","):
        told = PART.fullmatch(part.strip())
        first, last = (int(told[1]), int(told[2] or told[1])) if told else (1, 0)
        if not low <= first <= last <= high:
            raise click.BadParameter(
                f"'{text}' must be numbers from {low} to {high}, like {like}", param_hint=option
            )
        found += range(first, last + 1)
    return tuple(dict.fromkeys(found))


@click.command()
@click.option(
    "--port", "ports", multiple=True, help="A serial port to look at; without it all that are there."
)
@click.option("--host", "hosts", multiple=True, metavar="HOST[:PORT]", help="A host to ask over Modbus TCP.")
@click.option("--speeds", help="Speeds to try, like 9600,19200; without it seven usual ones.")
@click.option("--parities", default="none,even,odd", show_default=True, help="Parities to try, in order.")
@click.option("--units", default="1-16", show_default=True, help="Unit numbers to ask, 1 to 247.")
@click.option("--timeout", type=Decimal(0.05, 5), help="Wait for each answer in s (0.2; over a network 1).")
@click.option(
    "--listen",
    "listening",
    type=Decimal(0.5, 120),
    default=FIRST_LISTEN_S,
    show_default=True,
    help="Listen for so many seconds first.",
)
@JSON
@click.pass_context
def find(
    ctx: click.Context,
    ports: tuple[str, ...],
    hosts: tuple[str, ...],
    speeds: str | None,
    parities: str,
    units: str,
    timeout: float | None,
    listening: float,
    as_json: bool,
) -> None:
    """Look for devices: who answers on the serial ports and under the named hosts, and how.

    Listens first for text, then asks for one register at a time, with the two read functions alone. Nothing
    is ever written to a device. Stop the monitor first: a port that it holds is left alone. Ends with 0 where
    anything was found, with 1 where nothing was.

    \b
    Examples:
      nightbank find
      nightbank find --host 192.0.2.10
    """
    from monitor.devices.finding import SPEEDS, TIMEOUT_S, settings
    from monitor.devices.ports import FoundPort, serial_ports
    from monitor.devices.timing import PARITIES
    from monitor.find_words import name_devices

    bauds = whole_numbers(speeds, 300, 921600, "--speeds", "9600,19200") if speeds else SPEEDS
    numbers = whole_numbers(units, 1, 247, "--units", "1-16,100")
    wanted = tuple(parity.strip() for parity in parities.split(","))
    if not set(wanted) <= set(PARITIES):
        raise click.BadParameter(f"'{parities}' must be of none, even, odd", param_hint="--parities")
    places = [host_and_port(host) for host in hosts]
    found_ports = [FoundPort(serial_port(port) or port) for port in ports] or (
        [] if hosts else serial_ports()
    )
    if not found_ports and not places:
        click.echo(
            "No serial port is there. Plug the adapter in and look again, or name a port with --port or a "
            "host with --host.",
            err=True,
        )
        ctx.exit(1)
    tried = settings(bauds, wanted)
    _say_before(len(found_ports), places, tried, numbers, timeout or TIMEOUT_S, listening)
    told: list[dict[str, Any]] = []
    named = 0
    for line in chain(
        (_serial(port, tried, numbers, timeout or TIMEOUT_S, listening) for port in found_ports),
        (_network(host, tcp_port, numbers, timeout or 1.0) for host, tcp_port in places),
    ):
        named = name_devices(line, named)
        told.append(line)
        if not as_json:
            _tell(line)
    devices = [device for one in told for device in one["devices"]]
    cautions = CONNECTING_A_DEVICE if any(line["look_at"] for line in told) else ()
    if as_json:
        echo_json({"lines": told, "cautions": cautions})
    else:
        _tell_all(devices, cautions)
    ctx.exit(0 if devices else 1)


def _tell_all(devices: Sequence[dict[str, Any]], cautions: Sequence[str]) -> None:
    """What concerns all lines together: the tables for the site file, what to know before touching wires."""
    if devices:
        click.echo("For the site file (give each a name of your own):\n")
        click.echo("\n".join(device["site"] for device in devices))
    if cautions:
        click.echo("Before you touch the wiring:")
    for text in cautions:
        click.echo(point(text))


def _say_before(
    ports: int,
    hosts: Sequence[tuple[str, int]],
    tried: Sequence[Setting],
    units: Sequence[int],
    timeout_s: float,
    listening_s: float,
) -> None:
    from monitor.devices.finding import QUESTIONS, longest_s, questions

    if ports:
        most = listening_s + longest_s(tried, units, timeout_s)
        say(
            f"{ports} serial {'port' if ports == 1 else 'ports'}: {listening_s:g} s of listening, then up to "
            f"{questions(tried, units)} questions of one register each, with read functions alone; at most "
            f"{in_minutes(most)} a port, where nobody answers. Whoever else uses the line waits meanwhile.",
            err=True,
        )
    if hosts:
        say(
            f"{len(hosts)} {'host' if len(hosts) == 1 else 'hosts'}: up to {len(QUESTIONS) * len(units)} "
            "questions of one register each, a second each where nobody answers.",
            err=True,
        )


def _serial(
    port: FoundPort, tried: Sequence[Setting], units: Sequence[int], timeout_s: float, listening_s: float
) -> dict[str, Any]:
    """What is told of one serial port."""
    from monitor.devices.finding import Heard, find_on_serial, questions
    from monitor.devices.overheard import Noise, TextHeard, listen
    from monitor.find_words import NOBODY, device, line_words, nobody, noise_words, text

    path, bauds = port.path, tuple(dict.fromkeys(setting.baud for setting in tried))
    told, heard = nobody(path, port.about), Heard()
    try:
        with bar_on_stderr(len(bauds), "speed", f"{path}: listening", False) as bar:
            overheard: TextHeard | Noise | None = None
            for done, heard_so_far in enumerate(listen(path, bauds, listening_s, EACH_LISTEN_S)):
                overheard = heard_so_far
                bar.move_to(done)
        if isinstance(overheard, TextHeard):
            return text(told, path, overheard)
        if isinstance(overheard, Noise):
            told["says"].append(noise_words(overheard))
            if overheard.master:
                return told | {"state": "in use"}
        with bar_on_stderr(questions(tried, units), "question", f"{path}: asking", False) as bar:
            for _ in find_on_serial(path, heard, tried, units, timeout_s):
                bar.move_to(heard.tried)
    except LineLost as error:
        held = isinstance(error.__cause__, OSError) and error.__cause__.errno in (errno.EAGAIN, errno.EBUSY)
        words = (
            f"{path}: held by another program, most likely the monitor; left alone. Stop it to look here."
            if held
            else str(error)
        )
        return told | {"state": "held" if held else "unusable", "says": [*told["says"], words]}
    told["says"] += line_words(heard)
    if not heard.units:
        return told | {"look_at": list(NOBODY)}
    assert heard.setting is not None  # units were found at one
    where = f"Modbus RTU at {heard.setting.words()}"
    keys = {"connection": "serial", "port": path, "baud": heard.setting.baud, "parity": heard.setting.parity}
    return told | {"state": "modbus", "devices": [device(unit, where, keys) for unit in heard.units]}


def _network(host: str, port: int, units: Sequence[int], timeout_s: float) -> dict[str, Any]:
    """What is told of one host."""
    from monitor.devices.finding import QUESTIONS, Heard, find_on_network
    from monitor.find_words import NO_MODBUS, device, line_words, nobody

    line = f"{host}:{port}"
    told, heard = nobody(line, ""), Heard()
    try:
        with bar_on_stderr(len(QUESTIONS) * len(units), "question", f"{line}: asking", False) as bar:
            for _ in find_on_network(host, port, heard, units, timeout_s):
                bar.move_to(heard.tried)
    except LineLost:
        says = f"{line}: takes no connection. Look at the device's power, network, address and port."
        return told | {"state": "unusable", "says": [says]}
    told["says"] += line_words(heard)
    if not heard.units:
        return told | {"look_at": list(NO_MODBUS)}
    keys: dict[str, Any] = {"connection": "tcp", "host": host, "tcp_port": port}
    return told | {"state": "modbus", "devices": [device(unit, "Modbus TCP", keys) for unit in heard.units]}


def _tell(one: dict[str, Any]) -> None:
    click.echo(one["line"] + (f"  ({one['about']})" if one["about"] else ""))
    for words in (*one["says"], *(device["says"] for device in one["devices"])):
        click.echo(f"  {words}")  # as it is: a command in it may be copied
    if one["state"] == "nobody":
        click.echo("  Nobody answers. Look at:")
        for words in one["look_at"]:
            click.echo(wrapped(f"  - {words}"))
    click.echo("")
