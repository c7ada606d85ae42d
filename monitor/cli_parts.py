"""What several commands share: a site file's argument, a typed moment, a progress bar."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from monitor.records import to_ms

SITE_FILE = click.Path(dir_okay=False, path_type=Path)


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
