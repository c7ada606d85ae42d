"""The charge where half of the loads are wired past the controller, on PyBaMM's banks (tests/banks/stored).

`python -m tests.bench.hidden_loads` judges more banks, shares and wirings. Here stands that the band holds
the truth, which counting what is metered misses, and that a wiring is what it says.
"""

from functools import cache

import pytest

from tests.banks.site import read
from tests.banks.stored import load
from tests.bench.charge_error import estimates_of, run_plain, scored, told
from tests.bench.hidden_loads import PYBAMM, WIRINGS, declared, past_meters, plant, rewired

DAYS = 10


@cache
def course_of(bank):
    site = plant(bank, 0, DAYS)
    return site, load(site.name)[: DAYS * 1440]


@pytest.mark.parametrize("bank", PYBAMM)
def test_the_band_holds_the_truth_where_half_of_the_loads_are_not_metered(bank):
    """The page promises 19 rows in 20; of a single record four in five are asked."""
    site, course = course_of(bank)
    kept = declared(read(site, rewired(site, course, past_meters(site.uses, "steady", 0.5)), "fine"))
    estimates, cpu_ms = estimates_of(kept)
    score = scored(kept, "estimator", told(estimates), None, cpu_ms)
    counted = run_plain(kept, "reset-at-full")
    assert score.inside >= 0.80 > counted.inside
    assert score.rms < counted.rms
    assert "loads wired straight to the bank are not metered: band wider" in estimates[-1].basis


@pytest.mark.parametrize("wiring", WIRINGS)
@pytest.mark.parametrize("share", [0.0, 0.25, 0.8])
def test_so_much_of_the_loads_flows_past_the_meter_and_the_rest_is_as_it_was(wiring, share):
    site, course = course_of("pybamm-iron")
    hidden = past_meters(site.uses, wiring, share)
    wired = rewired(site, course, hidden)
    before, after = sum(now.metered_A for now in course), sum(now.metered_A for now in wired)
    # ten days hold two or three of this site's weekend days, two sevenths of them in the mean
    assert 1 - after / before == pytest.approx(share, abs=0.10)
    for was, now in zip(course[::97], wired[::97], strict=True):
        assert now.metered_A + now.unmetered_A == pytest.approx(was.metered_A + was.unmetered_A)
        assert now._replace(metered_A=was.metered_A, unmetered_A=was.unmetered_A) == was


def test_the_steady_wiring_hides_the_fridge_first_and_the_bursty_one_the_lamps():
    site, _ = course_of("pybamm-lead")
    lamps, fridge, monitor = (use.power_W for use in site.uses)
    # by hand: 28 W for 5 h and 35 W for a quarter of the day are 140 and 210 Wh
    assert (lamps, fridge, monitor) == (28, 35, 2)
    steady, bursty = (past_meters(site.uses, wiring, 0.4) for wiring in WIRINGS)
    assert [use.power_W for use in steady] == pytest.approx([0, 35 * 140 / 210, 0])
    assert [use.power_W for use in bursty] == pytest.approx([28, 0, 0])
