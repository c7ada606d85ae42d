"""May the bank stand out in the cold: what the answer says with an array, without sun, and where clouds are
unknown; from a store, without a process of the sun's."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from dashboard.winter_part import matters
from monitor.care.winter_told import Asked
from monitor.care.winter_words import winter_lines
from monitor.clock import CLOCK_NOTE, PacedClock, SystemClock
from monitor.day_book import note_key
from monitor.records import parse_iso
from monitor.site.load import load_site, with_defaults
from monitor.site.model import Site
from monitor.store.base import StoreWriter
from monitor.store.embedded import open_writer
from monitor.sun.expected import supply_of
from monitor.sun.months import MONTHS_NOTE, ClearMonth, months_note
from monitor.winter_report import NOT_YET, winter_report
from tests.unit.site_files import MARSH_HIDE, write

TODAY = date(2026, 11, 26)
COLD = Asked(standing_C=5.0, coldest_C=-20.0)
"""59 % are needed for -25 °C (50 % at -20.1, 60 % at -25.5 °C by makers' tables, computed). A day takes
0.41 Ah by itself (11 % of 450 Ah a month at 25 °C, a quarter at 5 °C) and 4 Ah to the monitor's 2 W: 4.41 /
0.85 = 5.2 Ah from the array, or the spare 94 Ah in 21.4 days."""


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return with_defaults(load_site(write(tmp_path, MARSH_HIDE)))[0]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as writer:
        noon_ms = parse_iso("2026-11-26T12:00:00Z")
        writer.put_note(CLOCK_NOTE, PacedClock(SystemClock().now_ms(), noon_ms, 1.0).note())
        yield writer


def clear(store: StoreWriter, site: Site, passed_Wh: float, **other_Wh: float) -> None:
    """The monitor's note of the months: as much in each but for the months named (m1, m2 ...)."""
    months = [ClearMonth(month, 2.0, other_Wh.get(f"m{month}", passed_Wh)) for month in range(1, 13)]
    store.put_note(MONTHS_NOTE, months_note(supply_of(site), months))


def own_days(store: StoreWriter, share: float, sky: str = "overcast", count: int = 360) -> None:
    for back in range(1, count + 1):
        entry = {"index": share, "sky": sky, "scale": 0.9}
        store.put_note(note_key(TODAY - timedelta(days=back)), json.dumps(entry))


def told(store: StoreWriter, site: Site, asked: Asked = COLD, charge: float | None = 0.8) -> dict[str, Any]:
    return winter_report(site, store, asked, charge, at_once=False)


def test_an_array_whose_dullest_month_gives_enough_keeps_the_bank(store: StoreWriter, site: Site) -> None:
    clear(store, site, 1200.0)
    found = told(store, site)
    # 1200 Wh times 0.92 (usual) times 0.95 (converter) over 13.4 V: 78 Ah on a clear day, 11.7 Ah at 15 %
    assert found["array"][0]["clear_Ah"] == pytest.approx(78.3, abs=0.1)
    assert found["array"][0]["low_Ah"] == pytest.approx(11.7, abs=0.1)
    assert (found["keeps"], found["act_by"], found["safe_now"]) == ("yes", None, True)
    assert found["needed_Ah_a_day"] == pytest.approx(5.2, abs=0.2)
    answer = winter_lines(found)[0]
    assert answer.startswith(
        "Safe with all loads off: it holds 80 % (as given) and needs 59 %, and the array alone keeps it."
    )
    assert "While snow lies on the panels it is so until 18 December 2026 only" in answer


def test_a_month_too_dark_gives_the_day_to_act_by(store: StoreWriter, site: Site) -> None:
    clear(store, site, 1200.0, m12=0.0, m1=0.0)
    found = told(store, site)
    assert (found["keeps"], found["worst_month"]) == ("no", 12)
    # the bank of 450 Ah is a little fuller by 1 December, then loses 4.5 Ah a day of the spare 94 Ah
    assert date(2026, 12, 20) < date.fromisoformat(found["act_by"]) < date(2027, 1, 2)
    assert "Charge it or bring it in before" in winter_lines(found)[0]


def test_own_clouds_narrow_the_band_and_snowy_days_are_not_clouds(store: StoreWriter, site: Site) -> None:
    clear(store, site, 300.0)
    unknown = told(store, site)
    assert unknown["keeps"] == "maybe"
    own_days(store, 0.4)
    found = told(store, site)
    december = next(each for each in found["array"] if each["month"] == 12)
    # the same sky on each day of a year leaves no band; 300 Wh × 0.9 (learnt) × 0.95 / 13.4 V × 0.4
    assert december["basis"] == "seen"
    assert december["middle_Ah"] == pytest.approx(7.66, abs=0.02)
    assert found["keeps"] == "yes"
    own_days(store, 0.0, sky="snow")
    assert told(store, site)["array"][0]["basis"] == "unknown"


def test_what_the_monitor_has_not_worked_out_yet_is_not_counted(store: StoreWriter, site: Site) -> None:
    found = told(store, site)
    assert found["array_unknown"] == NOT_YET
    assert found["keeps"] is None
    assert found["act_by"] == found["act_by_without_sun"] == "2026-12-18"
    assert "Safe with all loads off until 18 December 2026, without any charge" in winter_lines(found)[0]


def test_an_array_that_is_taken_down_is_not_counted(store: StoreWriter, site: Site) -> None:
    clear(store, site, 1200.0)
    found = told(store, site, Asked(5.0, -20.0, array=False))
    assert (found["array"], found["act_by"]) == ([], "2026-12-18")
    assert any("left out as asked for" in line for line in winter_lines(found))


def test_a_charge_that_is_not_known_leaves_what_is_needed(store: StoreWriter, site: Site) -> None:
    clear(store, site, 1200.0)
    found = told(store, site, charge=None)
    assert (found["safe_now"], found["act_by"], found["keeps"]) == (None, None, "yes")
    assert "how much it holds is not known" in winter_lines(found)[0]


def test_a_bank_about_at_freezing_stands_at_no_minus_zero(store: StoreWriter, site: Site) -> None:
    found = told(store, site, Asked(standing_C=-0.3, coldest_C=-20.0))
    assert any("Standing at 0 °C" in line for line in winter_lines(found))


def test_the_page_shows_it_open_where_and_when_frost_is_near() -> None:
    assert matters(date(2026, 12, 1), 52.6, -20.0)
    assert not matters(date(2026, 7, 1), 52.6, -20.0)
    assert matters(date(2026, 7, 1), -45.0, -8.0)
    assert not matters(date(2026, 12, 1), 1.0, 14.0)
