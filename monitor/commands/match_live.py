"""The dialogue of `nightbank match LINE`: look, read, type, and hear what was found and what to do next."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from monitor.commands.line import Manner, link_to, site_keys
from monitor.commands.scan import one_snapshot
from monitor.devices.places import load_places
from monitor.devices.scan import places_file
from monitor.errors import DeviceError, MatchError
from monitor.find_words import site_table
from monitor.match.asking import OUTPUT_OFF, Ask, ask
from monitor.match.brief import in_brief
from monitor.match.habits import NAMES, SOUGHT
from monitor.match.seen import shown, typing_mistake
from monitor.match.session import Kept, Session
from monitor.match.words import in_words

STOP, BACK = "stop", "back"
OFF = "Was the load output on or off at that moment? 'none' if the device has no such output"
READ = """
Have the display before you, with paper or a camera: note all that it shows at one
moment and press Enter at that moment. Type 'stop' to go on another time."""


def talk(line: str, folder: Path, manner: Manner, details: bool) -> None:
    """Look after look, until nothing more would help or the person stops. Raises DeviceError, MatchError
    and PlacesError.
    """
    session = Session(folder)
    about = f"Found at {line}, unit {manner.unit}"
    link = link_to(line, manner)
    places = load_places(places_file(session.dump), f"{link.name}, unit {manner.unit}")

    def read() -> str:
        nonlocal places
        snapshot = one_snapshot(link, manner, session.dump)
        places = snapshot.places
        return snapshot.time

    def answer() -> tuple[str, Ask | None]:
        found = session.answer(about, manner.largest or (places.largest if places else None))
        asked = ask(found)
        return in_words(found, asked) if details else in_brief(found, asked), asked

    def begin() -> None:
        link.open()
        if places is None:  # the search takes minutes, during which no look would hold
            read()

    try:
        look_after_look(session, Listener(begin, lambda: READ, read, answer))
    finally:
        link.close()
    farewell(session, site_keys(line, manner))


@dataclass(frozen=True, slots=True)
class Listener:
    """What the dialogue asks of its device.

    begin makes ready; invite gives what to tell before a look; read reads the device and gives the look's
    time, None where it cannot count; answer gives in words what was found so far, and what to do next. The
    first three raise DeviceError, read and answer MatchError.
    """

    begin: Callable[[], None]
    invite: Callable[[], str]
    read: Callable[[], str | None]
    answer: Callable[[], tuple[str, Ask | None]]


def look_after_look(session: Kept, device: Listener) -> None:
    """The dialogue itself."""
    looks = len(session.looks())
    asked = None
    if looks:
        words, asked = device.answer()
        click.echo(f"{session.folder} has {looks} {'look' if looks == 1 else 'looks'} so far.\n\n{words}")
    try:
        device.begin()
        while True:
            try:
                click.echo(device.invite())
                if _stops():
                    return
                time = device.read()
            except DeviceError as error:
                click.echo(f"{error}\nThis look was not taken. Mend that, then press Enter; or type 'stop'.")
                if _stops():
                    return
                continue
            if time is None:
                continue
            digits = _typed(session.shown_before())
            if digits is None:
                click.echo("This look was not finished, so it does not count.")
                return
            if not digits:
                click.echo("Nothing typed, so this look does not count.")
                continue
            off = asked is not None and asked.act == OUTPUT_OFF
            output = click.prompt(OFF, type=click.Choice(["on", "off", "none"])) if off else None
            try:
                session.add_look(time, digits, output)
            except MatchError:
                typed = ", ".join(f"{NAMES[name]} {text}" for name, text in digits.items())
                click.echo(f"This look could not be kept ({time}): {typed}", err=True)
                raise
            words, asked = device.answer()
            click.echo(f"\n{words}")
            if asked is None:
                return
    except (click.Abort, KeyboardInterrupt):
        told = _kept(session.folder, "The looks finished so far are")
        click.echo(f"\n{told}", err=True)
        raise


def _stops() -> bool:
    """Wait for Enter; whether the person stops instead."""
    return str(click.prompt("", prompt_suffix="> ", default="", show_default=False)).strip() == STOP


def _typed(quantities: tuple[str, ...]) -> dict[str, str] | None:
    """The digits that a person types, asked again where they are none or not possible; what the display does
    not show is left out. None where the person stops.
    """
    click.echo(
        "What did it show? Digits as shown; Enter for what it does not show; 'back' for the line before."
    )
    digits: dict[str, str] = {}
    at, doubted = 0, ""
    while at < len(quantities):
        quantity = quantities[at]
        text = click.prompt(
            f"  {NAMES[quantity]} [{SOUGHT[quantity].unit}]", default="", show_default=False
        ).strip()
        told = shown(text)
        if text == STOP:
            return None
        if text == BACK:
            at = max(0, at - 1)
            digits.pop(quantities[at], None)
            continue
        if text and told is None:
            click.echo(f"  '{text}' is no number; write it like 12.6")
            continue
        odd = typing_mistake(quantity, told) if told else None
        if odd and text != doubted:
            click.echo(f"  {odd}. Type it anew, or the same again if the display really shows that.")
            doubted = text
            continue
        if text:
            digits[quantity] = text
        at, doubted = at + 1, ""
    return digits


def _kept(folder: Path, what: str) -> str:
    if not any(folder.iterdir()):
        return "Nothing was read yet, so nothing is kept."
    return f"{what} kept in {folder}; the same command goes on there."


def farewell(session: Kept, line_keys: dict[str, Any]) -> None:
    """What is kept, how to go on, and how the daemon comes to read the device that a site file names so."""
    folder = session.folder
    click.echo(f"\n{_kept(folder, 'All is')}")
    if not session.profile.exists():
        return
    name = re.sub(r"[^A-Za-z0-9_-]+|^[^A-Za-z]+", "", folder.resolve().name)[:30] or "device1"
    keys = {"name": name, "profile": f"{name}.toml"} | line_keys
    click.echo(
        f"What was found so far, with the evidence: {session.profile}.\nTo have the device read, copy that "
        f"beside your site file as {name}.toml and add to the site file:\n\n{site_table(keys)}"
    )
