"""A typical year's file on an array, beside the file's own light and its arithmetic.

The file is a TMY3 of a station in North Carolina that pvlib ships (National Solar Radiation Data Base, open
data), read here by the csv module alone.
"""

from __future__ import annotations

import csv
import json
import shutil
import time
from contextlib import closing
from pathlib import Path

import pvlib
import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.clock import PacedClock
from monitor.errors import SunError
from monitor.records import parse_iso
from monitor.site.load import load_site
from monitor.store.embedded import open_writer
from monitor.sun import typical
from monitor.sun.expected import supply_of
from monitor.sun.months import MONTHS_NOTE, ClearMonth, months_note
from monitor.typical_year import YearKeeper, mark, noted_year
from tests.unit.site_files import MARSH_HIDE

FILE = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
THERE = MARSH_HIDE.replace("52.60", "36.10").replace("1.55", "-79.95").replace("Europe/London", "UTC")
LOADS = '\n[[loads]]\nname = "lamp"\npower_W = 20\nhours_per_day = 24\n'


def site_file(folder: Path, text: str) -> Path:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def hours() -> list[dict[str, str]]:
    with FILE.open(encoding="ascii") as lines:
        lines.readline()
        return list(csv.DictReader(lines))


def global_kWh_m2() -> dict[int, float]:
    """The file's light on the flat ground by month; 24:00 is the end of the day that is written."""
    sums: dict[int, float] = {}
    for hour in hours():
        month = int(hour["Date (MM/DD/YYYY)"][:2])
        sums[month] = sums.get(month, 0.0) + float(hour["GHI (W/m^2)"]) / 1000
    return sums


@pytest.fixture(scope="module")
def flat(tmp_path_factory):
    """The document of an array that lies flat, so that no transposition is in it."""
    path = site_file(tmp_path_factory.mktemp("flat"), THERE.replace("tilt_deg = 35", "tilt_deg = 0"))
    return typical.document(supply_of(load_site(path)), FILE)


def test_a_flat_array_gets_the_light_of_the_file_month_by_month(flat) -> None:
    told: dict[int, float] = {}
    for month, _, sun_h, _ in flat["days"]:
        told[month] = told.get(month, 0.0) + sun_h
    # what remains is the closure of the file's own direct, diffuse and global light, hour by hour
    for month, light_kWh_m2 in global_kWh_m2().items():
        assert told[month] == pytest.approx(light_kWh_m2, rel=0.03), month


def test_it_has_each_day_once_and_the_air_of_each_month(flat) -> None:
    assert len({(month, day) for month, day, *_ in flat["days"]}) == len(flat["days"]) == 365
    airs = [float(h["Dry-bulb (C)"]) for h in hours() if h["Date (MM/DD/YYYY)"][:2] == "01"]
    assert flat["air_C"][0] == pytest.approx(sum(airs) / len(airs), abs=0.06)
    assert flat["away_km"] == 0
    assert flat["name"] == "GREENSBORO PIEDMONT TRIAD INT"


def test_no_day_has_much_more_than_a_clear_sky(flat) -> None:
    shares = sorted(share for *_, share in flat["days"])
    assert shares[0] >= 0
    # clear days lie near 1, whatever the model of a clear sky is off by; one in a hundred above 1.15
    assert 0.9 < shares[320] < 1.1
    assert shares[361] < 1.15


def test_the_two_formats_tell_the_same_days(flat, tmp_path) -> None:
    # the same hours in the form of EPW (EnergyPlus documentation, auxiliary programs: 8 head lines, then a
    # row an hour of 35 fields, hours counted 1 to 24)
    rows = []
    for hour in hours():
        month, day, year = hour["Date (MM/DD/YYYY)"].split("/")
        fields = [year, month, day, str(int(hour["Time (HH:MM)"][:2])), "60", "x", hour["Dry-bulb (C)"]]
        fields += ["0"] * 6
        fields += [hour["GHI (W/m^2)"], hour["DNI (W/m^2)"], hour["DHI (W/m^2)"]]
        rows.append(",".join([*fields, *["0"] * (35 - len(fields))]))
    head = ["LOCATION,GREENSBORO,NC,USA,TMY3,723170,36.1,-79.95,-5.0,273.0", *["x"] * 7]
    epw = tmp_path / "year.epw"
    epw.write_text("\n".join([*head, *rows, ""]), encoding="ascii")
    path = site_file(tmp_path, THERE.replace("tilt_deg = 35", "tilt_deg = 0"))
    told = typical.document(supply_of(load_site(path)), epw)
    assert told["form"] == "EPW"
    assert [day[:2] for day in told["days"]] == [day[:2] for day in flat["days"]]
    assert [day[2] for day in told["days"]] == pytest.approx([day[2] for day in flat["days"]], abs=0.002)


def test_the_daemon_keeps_it_and_the_plan_goes_by_it(tmp_path) -> None:
    shutil.copy(FILE, tmp_path / "year.csv")
    text = THERE.replace('name = "Marsh hide"', 'name = "Marsh hide"\ntypical_year = "year.csv"') + LOADS
    path = site_file(tmp_path, text)
    site = load_site(path)
    noon = parse_iso("2026-11-30T12:00:00Z")
    with closing(open_writer(tmp_path / "nightbank.db", "UTC")) as store:
        # a clear day of each month, as the daemon keeps it (invented), so that no second process is needed
        months = [ClearMonth(month, 5.0, 1800.0) for month in range(1, 13)]
        store.put_note(MONTHS_NOTE, months_note(supply_of(site), months))
        keeper = YearKeeper(site, path, store, PacedClock(noon, noon, 1.0))
        deadline = time.monotonic() + 120
        while noted_year(site, store) is None and time.monotonic() < deadline:
            keeper.follow()
            time.sleep(0.05)
        store.commit()
        noted = noted_year(site, store, mark(site, tmp_path / "year.csv"))
        assert noted is not None
        assert len(noted.days) == 365
        # a file that has changed is another year
        (tmp_path / "year.csv").touch()
        assert noted_year(site, store, mark(site, tmp_path / "year.csv")) is None
        shutil.copystat(FILE, tmp_path / "year.csv")
    done = CliRunner().invoke(main, ["plan", str(path), "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.output)
    assert told["weather"]["basis"] == "typical year"
    assert {month["basis"] for month in told["months"]} == {"typical year"}
    dark = told["plan"]["dark_months"]
    assert [each["month"] for each in dark] == list(range(1, 13))
    assert all(each["seen"] for each in dark)
    # on 36° north the dark nights are those of winter, not of summer
    assert sum(each["nights"] for each in dark if each["month"] in (11, 12, 1)) >= sum(
        each["nights"] for each in dark if each["month"] in (5, 6, 7)
    )
    # a bank that nothing measured is as cold as the coldest month's air
    assert told["bank_temperature_C"] == pytest.approx(min(noted.air_C))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, "cannot be read: No such file or directory"),
        ("time,light\n1,2\n", "is no typical year that can be read here; wanted is an EPW file"),
        ("LOCATION,a,b,c,d,e,1,2\n" + "x\n" * 9, "is damaged, it cannot be read as EPW"),
    ],
)
def test_what_is_no_typical_year_is_refused_with_what_is_wanted(tmp_path, text, said) -> None:
    file = tmp_path / "year.epw"
    if text is not None:
        file.write_text(text, encoding="ascii")
    with pytest.raises(SunError, match=said):
        typical.document(supply_of(load_site(site_file(tmp_path, THERE))), file)


def test_a_file_with_hours_missing_is_refused_with_its_count(tmp_path) -> None:
    short = tmp_path / "short.csv"
    short.write_text("".join(FILE.read_text(encoding="ascii").splitlines(keepends=True)[:8002]), "ascii")
    with pytest.raises(SunError, match="has 8000 hours; a typical year has 8760"):
        typical.document(supply_of(load_site(site_file(tmp_path, THERE))), short)
