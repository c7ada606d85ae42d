"""What several commands share: their usual arguments and options, typed moments, days and amounts, a progress
bar."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from monitor.records import to_ms
from monitor.terminal import wrapped

FORTNIGHT = 14
"""So many days are told where none are asked for."""

WHOLE = 300
"""More characters than any first sentence has, so that click cuts none."""

FILE = click.Path(dir_okay=False, path_type=Path)

SITE = click.argument("site", type=FILE)

JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")


def echo_json(document: Any) -> None:
    """One JSON document on standard output."""
    click.echo(json.dumps(document, ensure_ascii=False))


class Commands(click.Group):
    """A group whose help says of each of its commands the whole first sentence."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        below = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, command.get_short_help_str(limit=WHOLE)) for name, command in below if command]
            )


def moment_ms(text: str, zone: ZoneInfo, option: str) -> int:
    """UTC ms of a time a person typed: ISO 8601, local at the site where it names no zone.

    Raises click.BadParameter (wrong use) for anything else.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
        return to_ms(moment if moment.tzinfo else moment.replace(tzinfo=zone))
    except (ValueError, OverflowError) as error:
        raise click.BadParameter(
            f"'{text}' is no time; write it like 2026-11-25T10:30 or 2026-11-25", param_hint=option
        ) from error


def asked_span(
    first: str | None, last: str | None, now_ms: int, zone: ZoneInfo, back_ms: int | None = None
) -> tuple[int, int]:
    """The span [from, to) asked for, in UTC ms: without `to` all up to now, without `from` all before it, or
    back_ms of that.

    Raises click.BadParameter for what is no time, click.UsageError for a span that ends before it begins.
    """
    end_ms = moment_ms(last, zone, "--to") if last else now_ms + 1
    usual_ms = 0 if back_ms is None else end_ms - back_ms
    start_ms = moment_ms(first, zone, "--from") if first else usual_ms
    if start_ms >= end_ms:
        raise click.UsageError("--to must come after --from")
    return start_ms, end_ms


def asked_days(
    first: str | None, last: str | None, stored_first: date, stored_last: date, usual: int = FORTNIGHT
) -> tuple[date, date]:
    """The first and the last day asked for; without them the `usual` last ones of the store.

    Raises click.BadParameter for what is no date, click.UsageError where the store has none of the days.
    """
    last_day = _date(last, "--to") if last else stored_last
    first_day = _date(first, "--from") if first else max(stored_first, last_day - timedelta(usual - 1))
    if first and last and first_day > last_day:
        raise click.UsageError(f"--to ({last_day}) must not come before --from ({first_day})")
    if last_day < stored_first or first_day > stored_last:
        raise click.UsageError(f"the store has readings of {stored_first} to {stored_last} only")
    return max(first_day, stored_first), min(last_day, stored_last)


def _date(text: str, option: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise click.BadParameter(
            f"'{text}' is no date; write it like 2026-11-25", param_hint=option
        ) from error


class Decimal(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    """A number as a person writes it, with a point or a comma, between two bounds and never 'nan'."""

    name = "number"

    def __init__(self, least: float = -math.inf, most: float = math.inf, unit: str = "") -> None:
        self._least, self._most, self._unit = least, most, unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            number = float(str(value).replace(",", "."))
        except ValueError:
            number = math.nan
        if not (math.isfinite(number) and self._least <= number <= self._most):
            self.fail(f"'{value}' is no number{self._wanted()}", param, ctx)
        return number

    def _wanted(self) -> str:
        if math.isfinite(self._most):
            return f" from {self._least:g} to {self._most:g} {self._unit}".rstrip()
        return f" of at least {self._least:g}" if math.isfinite(self._least) else "; write it like 1.5"

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str | None:
        return f"{self._least:g}..{self._most:g}" if math.isfinite(self._most) else None


def amount(
    name: str, unit: str, least: float, most: float, words: str, **more: Any
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """An option that takes a number of a unit between two bounds."""
    return click.option(name, type=Decimal(least, most, unit), metavar=unit, help=words, **more)


def in_minutes(seconds: float) -> str:
    """A time as a person would say it: '40 s', '3 minutes'."""
    return f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} minutes"


def say(text: str, err: bool = False) -> None:
    """A text to standard output or error: folded where that is a terminal, as it is for a program."""
    stream = sys.stderr if err else sys.stdout
    click.echo(wrapped(text) if stream.isatty() else text, err=err)


def folded(text: str, before: str) -> str:
    """A text for standard error that will stand behind `before`, folded if that is a terminal."""
    return wrapped(before + text).removeprefix(before) if sys.stderr.isatty() else text


class Bar:
    """A progress bar on standard error, there only where that is a terminal."""

    def __init__(self, total: int, unit: str, what: str, quiet: bool) -> None:
        from tqdm import tqdm

        shown = sys.stderr.isatty() and not quiet
        scale = {"unit": "B", "unit_scale": True} if unit == "B" else {"bar_format": "{l_bar}{bar}|"}
        self._bar = tqdm(total=total, desc=what, disable=not shown, leave=False, file=sys.stderr, **scale)

    def move_to(self, done: int) -> None:
        self._bar.update(max(0, done - self._bar.n))

    def close(self) -> None:
        self._bar.close()


@contextmanager
def bar_on_stderr(total: int, unit: str, what: str, quiet: bool) -> Iterator[Bar]:
    """A bar over `total` of a unit ('B' for bytes); quiet says that there must be none."""
    bar = Bar(total, unit, what, quiet)
    try:
        yield bar
    finally:
        bar.close()
