"""Sites unlike the usual one: where the sun stays away for months, where it never freezes, sealed banks, tiny
ones, high voltages. What care, plan and wire tell of them must hold there, too."""

from __future__ import annotations

from pathlib import Path

from monitor.plan.sizing import ARRAY_TO_LOAD
from monitor.plan.system import Wish
from monitor.plan_report import Question, plan_report
from monitor.plan_words import in_words
from monitor.site.load import load_site, with_defaults
from monitor.site.model import Site
from monitor.sun.months import ClearMonth
from tests.unit.site_files import MARSH_HIDE, write

LAMPS = '\n[[loads]]\nname = "lamps"\npower_W = 24\nhours_per_day = 4\n'


def site_of(folder: Path, text: str) -> Site:
    return with_defaults(load_site(write(folder, text)))[0]


def test_in_a_polar_night_no_number_of_panels_is_enough(tmp_path: Path) -> None:
    site = site_of(tmp_path, MARSH_HIDE.replace("52.60", "69.0") + LAMPS)
    clear = {
        month: ClearMonth(month, *((0.0, 0.0) if month == 12 else (3.0, 900.0))) for month in range(1, 13)
    }
    found = plan_report(site, None, Question(Wish(5.0, ARRAY_TO_LOAD["usual"])), "none is made", clear)
    in_december = {each["name"]: each["nights"] for each in found["plan"]["lasting"]}
    # nothing comes from the array, so that the bank lasts as long as without any sun
    assert in_december["design_month"] == in_december["without_sun"] > 0
    assert found["plan"]["steps"][-1]["value"] is None
    words = " ".join(in_words(found).split())
    assert "The month that decides is December: no sun reaches the array in it." in words
    assert "Strings of panels: no number is enough" in words
