"""All that the page has, with a year behind it, opened again and again: what `page_cost` shows of it.

A phone that was let in by the PIN goes through every page, every period and every step of the closer look,
the files and the documents for programs, ROUNDS times over.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from dashboard.api import ADDRESSES
from dashboard.csv_files import TABLES
from dashboard.days import PERIODS
from dashboard.pages import PAGES
from dashboard.pages.days import PATH as DAYS
from dashboard.pages.days import REPORT_PATH as SHEET
from dashboard.view import STEPS, View, address
from monitor.day_book import COMMAND, NOTE_PREFIX
from monitor.local_days import day_at
from monitor.pin import pin_path, set_pin
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
from tests.bench.season import END_MS, add_notes, fill
from tests.faults.door_client import Visitor
from tests.unit.site_files import MARSH_HIDE

YEAR_DAYS, ROUNDS = 365, 10
PIN = "739204"
EVERY_MS = 1_200_000
"""A fifth of the bench of the season's readings: the pages go by sums, and the store is filled in no time."""

ZONE = ZoneInfo("Europe/London")


def year_behind(folder: Path) -> Path:
    """A site with a year of readings, the entries that the daemon makes of its days, and a PIN; its file."""
    folder.mkdir()
    site_file, store = folder / "site.toml", folder / "nightbank.db"
    site_file.write_text(MARSH_HIDE, encoding="utf-8")
    fill(store, YEAR_DAYS, EVERY_MS)
    add_notes(with_defaults(load_site(site_file))[0], store)
    last = day_at(ZONE, END_MS).day
    span = "--from", str(last - timedelta(days=YEAR_DAYS - 1)), "--to", str(last - timedelta(days=1))
    told = subprocess.run(
        [*COMMAND, str(site_file), *span, "--json"], stdout=subprocess.PIPE, text=True, check=True
    )
    with closing(open_writer(store, ZONE.key)) as writer:
        for entry in json.loads(told.stdout):
            writer.put_note(NOTE_PREFIX + entry["date"], json.dumps(entry))
        writer.commit()
    set_pin(pin_path(store), PIN)
    return site_file


def addresses() -> Mapping[str, Sequence[str]]:
    """Every address of the page that shows something, by what it shows."""
    around = View(("battery_voltage_V", "battery_current_A"), END_MS - 2, END_MS)
    looks = [address(around.stepped(step, END_MS, ZONE), ZONE) for step in STEPS]
    last = day_at(ZONE, END_MS).day
    day, year = f"from={last}T00:00:00Z&to={last}T19:00:00Z", f"from={last - timedelta(days=364)}&to={last}"
    asked = {"/range": f"?quantity=battery_voltage_V&{day}", "/days": f"?{year}"}
    programs = [
        path + asked.get(path.removeprefix("/api/v1"), "")
        for path in ADDRESSES
        if not path.endswith("/outlook")  # there is none
    ]
    return {
        **{page.name: (page.path,) for page in PAGES if page.path not in (DAYS, SHEET)},
        "Days, each period": [f"{DAYS}?days={days}" for days in PERIODS],
        "sheets, each period": [f"{SHEET}?days={days}" for days in PERIODS],
        "closer looks, each step": looks,
        "a plan with a question": ["/plan?panels=1&month=12"],
        "the form for an entry": ["/care?write=hydrometer"],
        "files": [path for path in TABLES if path != "/files/night-line.csv"],
        "documents for programs": programs,
    }


@dataclass(frozen=True, slots=True)
class Seen:
    """What one kind of answer cost: CPU of each but the first, and bytes on the wire of the largest."""

    what: str
    cpu_ms: float
    most_bytes: int


def walk(port: int, cpu_s: Callable[[], float], after_round: Callable[[int], None]) -> list[Seen]:
    """Ask for everything ROUNDS times; after_round hears of each round's end."""
    visitor = Visitor(port)
    if visitor.unlock(PIN).status != 303:
        raise SystemExit("the page did not take its PIN")
    there = addresses()
    spent_s, most = dict.fromkeys(there, 0.0), dict.fromkeys(there, 0)
    for number in range(ROUNDS):
        for what, paths in there.items():
            before_s = cpu_s()
            for path in paths:
                answer = visitor.ask("GET", path, headers={"Accept-Encoding": "gzip"})
                if answer.status != 200:
                    raise SystemExit(f"{path} was answered with {answer.status}: {answer.text[:200]}")
                most[what] = max(most[what], int(answer.headers["Content-Length"]))
            spent_s[what] += cpu_s() - before_s if number else 0.0
        after_round(number + 1)
    each_ms = {what: 1000 * spent_s[what] / (ROUNDS - 1) / len(paths) for what, paths in there.items()}
    return [Seen(what, each_ms[what], most[what]) for what in there]
