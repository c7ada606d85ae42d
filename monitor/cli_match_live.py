"""The dialogue of `nightbank match LINE`: look, read, type, and hear what was found and what to do next."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli_line import Manner, link_to
from monitor.cli_scan import one_snapshot
from monitor.devices.places import load_places
from monitor.devices.scan import places_file
from monitor.errors import MatchError
from monitor.match.answer import Answer
from monitor.match.asking import OUTPUT_OFF, Ask, ask
from monitor.match.habits import NAMES, SOUGHT
from monitor.match.seen import shown
from monitor.match.session import Session
from monitor.match.words import in_words

STOP = "stop"
OFF = "Was the load output on or off at that moment? 'none' if the device has no such output"
READ = """
Have the display before you, with paper or a camera: note all that it shows at one moment and press Enter at
that moment. Type 'stop' to go on another time."""


def talk(line: str, folder: Path, manner: Manner) -> None:
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
        click.echo(f"{folder} has {looks} {'look' if looks == 1 else 'looks'} so far.\n")
        asked = _told(session.answer(about, manner.largest or (places.largest if places else None)))
    try:
        link.open()
        if not session.dump.exists():  # its search takes minutes, during which no look would hold
            one_snapshot(link, manner, session.dump)
        while True:
            click.echo(READ)
            if click.prompt("", prompt_suffix="> ", default="", show_default=False).strip() == STOP:
                break
            snapshot = one_snapshot(link, manner, session.dump)
            digits = _typed(session.shown_before())
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
            asked = _told(session.answer(about, manner.largest or snapshot.places.largest))
            if asked is None:
                break
    except (click.Abort, KeyboardInterrupt):
        click.echo(
            f"\nThe looks finished so far are kept in {folder}; the same command goes on there.", err=True
        )
        raise
    finally:
        link.close()
    click.echo(f"All is kept in {folder}. So far found: {session.profile}")


def _typed(quantities: tuple[str, ...]) -> dict[str, str]:
    """The digits that a person types, asked again where they are none; what the display does not show is left
    out.
    """
    click.echo("What did it show? Digits as shown; Enter for what it does not show.")
    digits = {}
    for quantity in quantities:
        while True:
            text = click.prompt(
                f"  {NAMES[quantity]} [{SOUGHT[quantity].unit}]", default="", show_default=False
            ).strip()
            if not text:
                break
            if shown(text) is not None:
                digits[quantity] = text
                break
            click.echo(f"  '{text}' is no number; write it like 12.6")
    return digits


def _told(answer: Answer) -> Ask | None:
    """Tell what was found, and which other look would help; that is returned, None where none would."""
    asked = ask(answer)
    click.echo("\n" + in_words(answer, asked))
    return asked
