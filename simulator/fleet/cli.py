"""`nightbank fleet`: loads a time-series server as many sites would.

The rooms are imported when the command runs, so that the command line stays light.
"""

from __future__ import annotations

import json
import os
import signal
import stat
import sys
import time
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Self
from urllib.parse import urlsplit

import click

from simulator.fleet.plan import DAY_MS, FleetError, Plan

if TYPE_CHECKING:
    from simulator.fleet.link import Target
    from simulator.fleet.loading import Loading

TOKEN = "NIGHTBANK_FLEET_TOKEN"


class Moment(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    """An ISO 8601 time as UTC milliseconds; UTC where it names no zone."""

    name = "TIME"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> int:
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is no time; write it like 2026-11-25 or 2026-11-25T06:00", param, ctx)
        return round((moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp() * 1000)


class _Bar:
    """A progress bar on standard error, there only where that is a terminal."""

    def __init__(self, total: int, what: str) -> None:
        from tqdm import tqdm

        form = "{l_bar}{bar}| {remaining}"
        shown = sys.stderr.isatty()
        self._bar = tqdm(total=total, desc=what, bar_format=form, disable=not shown, leave=False)

    def add(self, count: int = 1) -> None:
        self._bar.update(count)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.close()


@click.group()
def fleet() -> None:
    """Many simulated sites at once, to try a time-series server before real ones depend on it.

    \b
    Example:
      nightbank fleet simulate --sites 200 --url http://hub:8086 --bucket trial
    """


@fleet.command()
@click.option("--sites", type=click.IntRange(1, 100_000), required=True, help="How many.")
@click.option("--url", required=True, help="The server's own address, like http://127.0.0.1:8086.")
@click.option("--bucket", required=True, help="Where the readings go (in the 1 line: the database).")
@click.option("--org", default="", help="Where the server asks for one.")
@click.option(
    "--secret-file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File with the token (in the 1 line user:password) as its only line, readable by its owner alone. "
    f"Without it: what the environment has as {TOKEN}.",
)
@click.option("--days", type=click.FloatRange(0.01, 100), default=1.0, show_default=True, help="How long.")
@click.option("--start", type=Moment(), help="UTC. Without it all ends at the last midnight.")
@click.option(
    "--every",
    "every_s",
    type=click.IntRange(1, 3600),
    default=60,
    show_default=True,
    help="Seconds between two polls of a site.",
)
@click.option(
    "--send-every",
    "send_every_s",
    type=click.IntRange(1, 86_400),
    default=600,
    show_default=True,
    help="Seconds between two requests of a site.",
)
@click.option(
    "--speed",
    type=click.FloatRange(0, min_open=True),
    help="Simulated over real time; 1 loads as real sites do. Without it: as fast as the server takes it.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Another one is another fleet.")
@click.option("--check", is_flag=True, help="Read back whether every point is there once (InfluxQL, /query).")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def simulate(
    sites: int,
    url: str,
    bucket: str,
    org: str,
    secret_file: Path | None,
    days: float,
    start: int | None,
    every_s: int,
    send_every_s: int,
    speed: float | None,
    seed: int,
    check: bool,
    as_json: bool,
) -> None:
    """Send what so many sites would: readings in the form in which mirrors copy them.

    Each site has a name, sun, weather, bank, loads and meters of its own; in a day one of five is offline for
    hours and catches up. The same seed and start give the same readings. Exit status 1 where something was
    not taken or is not there.

    \b
    Example:
      nightbank fleet simulate --sites 200 --url http://hub:8086 --bucket trial
    """
    from simulator.fleet import report
    from simulator.fleet.check import lacking_of
    from simulator.fleet.courses import courses_of, plants_of
    from simulator.fleet.link import Link, Questions
    from simulator.fleet.loading import Loading
    from simulator.fleet.site import FleetSite

    span_ms = round(days * DAY_MS)
    if every_s * 1000 > span_ms:
        raise click.UsageError(f"--every {every_s} is longer than --days {days:g}: nothing would be sent")
    midnight_ms = time.time_ns() // 1_000_000 // DAY_MS * DAY_MS
    start_ms = midnight_ms - span_ms if start is None else start
    plan = Plan(sites, start_ms, span_ms, every_s * 1000, send_every_s * 1000, seed)
    target = _target(url, bucket, org, secret_file)
    began_s, lacking = time.process_time(), None
    try:
        with _Bar(plants_of(plan), "plants") as bar:
            courses = courses_of(plan, bar.add)
        all_sites = [FleetSite(plan, number, courses) for number in range(sites)]
        with _Bar(plan.lines, "sending") as bar:
            loading = Loading(plan, all_sites, lambda: Link(target), speed=speed, sent=bar.add)
            ended = _run_to_the_end(loading)
        cpu_s = time.process_time() - began_s
        if not as_json:
            click.echo(report.sentence(plan, loading.tally, cpu_s))
        if check and ended:
            with _Bar(sites, "reading back") as bar:
                lacking = lacking_of(plan, all_sites, Questions(target), bar.add)
    except FleetError as error:
        raise click.ClickException(str(error)) from error
    if as_json:
        click.echo(json.dumps(report.document(plan, loading.tally, cpu_s, ended, lacking)))
    else:
        for line in report.troubles(plan, loading.tally, ended, lacking):
            click.echo(line)
        if lacking is not None:
            click.echo(report.verdict(plan, lacking))
    sys.exit(int(bool(not ended or loading.tally.not_taken or lacking)))


def _run_to_the_end(loading: Loading) -> bool:
    """Send all; False where Ctrl-C or SIGTERM came in between. Raises FleetError."""

    def stop(signum: int, frame: FrameType | None) -> None:
        loading.stopped = True  # an exception alone would be lost where it strikes a finalizer
        raise KeyboardInterrupt

    before = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        with suppress(KeyboardInterrupt):
            loading.run()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    return not loading.stopped


def _target(url: str, bucket: str, org: str, secret_file: Path | None) -> Target:
    """Where the readings go. Raises click.BadParameter for what cannot be meant."""
    from simulator.fleet.link import Target

    parts = urlsplit(url)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.path.strip("/") or parts.query:
        raise click.BadParameter(
            f"{url!r} is not a server's own address; write it like http://127.0.0.1:8086, without a path",
            param_hint="--url",
        )
    if parts.password is not None:
        raise click.BadParameter("has a password in it; put that into --secret-file", param_hint="--url")
    if not bucket or "/" in bucket:
        raise click.BadParameter(f"{bucket!r} is no name that every server takes", param_hint="--bucket")
    token = os.environ.get(TOKEN, "") if secret_file is None else _secret_in(secret_file)
    return Target(url.rstrip("/"), bucket, org, token)


def _secret_in(file: Path) -> str:
    """The token in a file. Raises click.BadParameter where it cannot be had, or others can read it."""
    try:
        if file.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise click.BadParameter(
                f"{file}: others may read it; chmod 600 {file}", param_hint="--secret-file"
            )
        lines = file.read_text(encoding="utf-8").split()
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not text"
        raise click.BadParameter(f"{file}: cannot be read: {why}", param_hint="--secret-file") from error
    if len(lines) != 1:
        raise click.BadParameter(
            f"{file}: must have the token as its only line, without blanks", param_hint="--secret-file"
        )
    return lines[0]
