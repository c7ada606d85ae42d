"""A bank whose label says 20 % too much, behind a current meter that is 1 % and 50 mA off.

Four weeks of daily use on banks of other physics than the estimator's (tests/banks). A median bank holds 88
% of its label (`bank/priors.py`), so that a label 20 % too high is doubted from the first day on. What four
weeks add is little: the voltage of lead-acid tells only the quotient of capacity and rest span, and the
band says so.
"""

from functools import cache, partial

import pytest

from tests.banks.library import MONITOR, circuit, flooded, fridge, generic, lamps, seeded, valved, wells
from tests.banks.site import Claims, Meters, Site, read, run
from tests.banks.weather import Air
from tests.bench.charge_error import estimates_of, scored, told

TRUE_AH, LABEL_AH, DAYS = 150, 180, 28
OFF = Meters("shunt", voltage_gain=1.002, current_gain=1.01, current_offset_A=0.05)


def bank_of(name, bank, sky, charger, chemistry, unit_V, units):
    return Site(
        f"label-{name}",
        51,
        DAYS,
        bank,
        seeded(sky, 130, 44, 0.75, Air(20, 4), DAYS),
        charger,
        (lamps(45), fridge(45, 0.4), MONITOR),
        Claims(chemistry, unit_V, units, LABEL_AH),
        OFF,
    )


SITES = {
    "third-order circuit": partial(
        bank_of,
        "circuit",
        circuit("learn", TRUE_AH, 6, 0.6, 20),
        "learn-a",
        flooded(260, 25, tail=0.02),
        "flooded",
        6,
        2,
    ),
    "Shepherd": partial(
        bank_of, "shepherd", generic("learn", TRUE_AH, 6, 0.6, 20), "learn-b", valved(260, 25), "agm", 12, 1
    ),
    "kinetic wells": partial(
        bank_of,
        "wells",
        wells("learn", "flooded", TRUE_AH, 6, 0.6, 20),
        "learn-c",
        flooded(260, 25, tail=0.02),
        "flooded",
        6,
        2,
    ),
}


INSIDE = {"third-order circuit": 0.25, "Shepherd": 0.80, "kinetic wells": 0.80}
"""Share of rows whose truth the band must hold. The circuit is a known weakness: its controller shows full at
92 % true charge, the estimate stays 8 % high, and a band of 4 % holds the truth in a third of the rows."""


@cache
def judged(physics):
    site = SITES[physics]()
    kept = read(site, run(site), "fine")
    estimates, cpu_ms = estimates_of(kept)
    return kept, estimates, scored(kept, "estimator", told(estimates), None, cpu_ms)


@pytest.mark.parametrize("physics", SITES)
def test_the_label_is_not_believed_and_the_band_holds_the_truth(physics):
    kept, estimates, _ = judged(physics)
    first, last, true_Ah = estimates[0], estimates[-1], kept.truth[-1].capacity_Ah
    assert abs(last.capacity_Ah - true_Ah) <= 2.5 * last.capacity_sd_Ah
    assert abs(last.capacity_Ah - true_Ah) < abs(LABEL_AH - true_Ah)
    assert last.capacity_sd_Ah < first.capacity_sd_Ah


@pytest.mark.parametrize("physics", SITES)
def test_the_charge_survives_the_meters_errors(physics):
    """By hand: 50 mA are 34 Ah in four weeks, 1 % of some 45 Ah a day another 13 Ah, of 150 Ah."""
    score = judged(physics)[2]
    assert score.rms < 0.10
    assert score.inside >= INSIDE[physics]
