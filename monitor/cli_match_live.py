"""The dialogue of `nightbank match LINE`: look, read, type, and hear what was found and what to do next."""

from __future__ import annotations

import re
from pathlib import Path

import click

from monitor.cli_line import Manner, link_to, site_keys
from monitor.cli_scan import one_snapshot
from monitor.devices.places import load_places
from monitor.devices.scan import places_file
from monitor.errors import DeviceError, MatchError
from monitor.find_words import site_table
from monitor.match.answer import Answer
from monitor.match.asking import OUTPUT_OFF, Ask, ask
from monitor.match.brief import in_brief
from monitor.match.habits import NAMES, SOUGHT
from monitor.match.seen import shown, typing_mistake
from monitor.match.session import Session
from monitor.match.words import in_words

STOP, BACK = "stop", "back"
OFF = "Was the load output on or off at that moment? 'none' if the device has no such output"
READ = """
Have the display before you, with paper or a camera: note all that it shows at one moment and press Enter at
that moment. Type 'stop' to go on another time."""


def talk(line: str, folder: Path, manner: Manner, details: bool) -> None:
    """Look after look, until nothing more would help or the person stops. Raises DeviceError, MatchError
    and PlacesError.
    """
    session = Session(folder)
    session.begin()
    about = f"Found at {line}, unit {manner.unit}"
    link = link_to(line, manner)
    places = load_places(places_file(session.dump), f"{link.name}, unit {manner.unit}")
    looks = len(session.looks())
    asked = None
    if looks:
        click.echo(f"{folder} has {looks} {'look' if looks == 1 else 'looks'} so far.")
        answer = session.answer(about, manner.largest or (places.largest if places else None))
        asked = _told(answer, details)
    try:
        link.open()
        if places is None:  # the search takes minutes, during which no look would hold
            one_snapshot(link, manner, session.dump)
        while True:
            click.echo(READ)
            if click.prompt("", prompt_suffix="> ", default="", show_default=False).strip() == STOP:
                break
            try:
                snapshot = one_snapshot(link, manner, session.dump)
            except DeviceError as error:
                click.echo(f"{error}\nThis look was not taken. Mend that and look again, or stop.", err=True)
                continue
            digits = _typed(session.shown_before())
            if digits is None:
                click.echo("This look was not finished, so it does not count.")
                break
            if not digits:
                click.echo("Nothing typed, so this look does not count.")
                continue
            off = asked is not None and asked.act == OUTPUT_OFF
            output = click.prompt(OFF, type=click.Choice(["on", "off", "none"])) if off else None
            try:
                session.add_look(snapshot.time, digits, output)
            except MatchError:
                typed = ", ".join(f"{NAMES[name]} {text}" for name, text in digits.items())
                click.echo(f"This look could not be kept ({snapshot.time}): {typed}", err=True)
                raise
            asked = _told(session.answer(about, manner.largest or snapshot.places.largest), details)
            if asked is None:
                break
    except (click.Abort, KeyboardInterrupt):
        click.echo(
            f"\nThe looks finished so far are kept in {folder}; the same command goes on there.", err=True
        )
        raise
    finally:
        link.close()
    _farewell(session, line, manner)


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


def _told(answer: Answer, details: bool) -> Ask | None:
    """Tell what was found, and which other look would help; that is returned, None where none would."""
    asked = ask(answer)
    click.echo("\n" + (in_words(answer, asked) if details else in_brief(answer, asked)))
    return asked


def _farewell(session: Session, line: str, manner: Manner) -> None:
    """What is kept, how to go on, and how the daemon comes to read the device."""
    folder = session.folder
    click.echo(f"\nAll is kept in {folder}; the same command goes on there.")
    if not session.profile.exists():
        return
    name = re.sub(r"[^A-Za-z0-9_-]+|^[^A-Za-z]+", "", folder.resolve().name)[:30] or "device1"
    keys = {"name": name, "profile": f"{name}.toml"} | site_keys(line, manner)
    click.echo(
        f"What was found so far, with the evidence: {session.profile}.\nTo have the device read, copy that "
        f"beside your site file as {name}.toml and add to the site file:\n\n{site_table(keys)}"
    )
