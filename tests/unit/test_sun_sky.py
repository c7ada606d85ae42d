"""The day's class: by index and variability, on held-back days, and snow told from rain."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from monitor.quantities import Stage
from monitor.sun.sky import class_of, light_index, likeliest, skies_of, variabilities
from monitor.sun.taken import judged
from tests.unit.sun_world import SUPPLY, days_from, sun_day

FIRST = date(2026, 1, 10)


def free(hour):
    return math.inf


def skies(*courses, **kwargs):
    days = [
        sun_day(day, sky, demand, **kwargs)[0]
        for day, (sky, demand) in zip(days_from(FIRST, len(courses)), courses, strict=True)
    ]
    return skies_of(days, judged(days, SUPPLY), SUPPLY)


def always(index):
    return lambda hour: index


def broken(hour):
    return 0.3 if (hour * 60) % 70 < 35 else 1.0


def tapering(hour):
    return math.inf if hour < 11 else 40 + 140 * math.exp(-(hour - 11) / 1.5)


@pytest.mark.parametrize(
    ("sky", "expected"),
    [(always(1.0), "clear"), (broken, "broken"), (always(0.27), "overcast"), (always(0.1), "dark")],
)
def test_a_free_day_has_the_class_of_its_light(sky, expected):
    """A clear day beside it tells what the array gives."""
    *_, found = skies((always(1.0), free), (always(1.0), free), (sky, free), battery_C=15.0)
    truth = sum(sky(at / 4) * math.sin(math.pi * (at / 4 - 6) / 12) for at in range(24, 72)) / sum(
        math.sin(math.pi * (at / 4 - 6) / 12) for at in range(24, 72)
    )
    assert found.sky == expected
    assert found.index == pytest.approx(truth, abs=0.04)


def test_a_clear_day_with_a_full_bank_is_clear():
    *_, found = skies(*[(always(1.0), tapering)] * 5)
    assert found.sky == "clear"


def test_the_table_of_classes():
    assert [class_of(index, 1.0) for index in (0.149, 0.15, 0.399, 0.40, 0.799, 0.80)] == [
        "dark",
        "overcast",
        "overcast",
        "broken",
        "broken",
        "clear",
    ]
    assert class_of(0.9, 1.51) == "broken"


def test_variability_by_hand():
    """Stein, Hansen and Reno 2012: a path over the clear sky's. Two changes of 300 W/m² in quarters of an
    hour beside two of 20: (2 hypot(300, 15)) / (2 hypot(20, 15)) = 12.015."""
    clear = np.array([800.0, 820.0, 840.0])
    courses = np.array([[800.0, 800.0], [500.0, 820.0], [800.0, 840.0]])
    assert variabilities(courses, clear, 15.0) == pytest.approx([12.015, 1.0], abs=0.001)


def test_what_lies_beside_an_untold_quarter_is_no_change():
    clear = np.array([800.0, 820.0, 840.0, 840.0])
    light = np.array([[800.0], [np.nan], [100.0], [100.0]])
    assert variabilities(light, clear, 15.0) == pytest.approx([1.0])


def test_the_days_class_is_the_one_that_most_courses_have():
    indices = np.array([0.9, 0.9, 0.9, 0.3, 0.9])
    assert likeliest(indices, np.array([1.1, 1.1, 1.9, 1.1, 1.2])) == "clear"
    assert likeliest(indices, np.array([1.1, 1.9, 1.9, 1.1, 1.9])) == "broken"


def test_light_behind_a_power_is_a_little_less():
    """By hand: half the power of 1000 W/m²; 13.5 °C colder at -0.4 % gives 5.4 % more of the light."""
    found = light_index(np.array([0.5, 1.0]), 1000.0, -0.004)
    assert found == pytest.approx([0.5 / 1.054, 1.0])


def under_snow(hour):
    return 0.02


def sliding(hour):
    return 0.02 if hour < 13.5 else 1.0


def test_snow_lies_over_night_and_slides_off_by_day():
    found = skies(
        (always(1.0), free), (under_snow, free), (under_snow, free), (sliding, free), (always(1.0), free),
        battery_C=-2.0,
    )  # fmt: skip
    assert [each.sky for each in found] == ["clear", "snow", "snow", "snow", "clear"]


def test_a_day_as_dark_between_two_bright_ones_is_rain():
    found = skies((always(1.0), free), (always(0.05), free), (always(1.0), free), battery_C=-2.0)
    assert found[1].sky == "dark"


def test_a_day_darker_than_any_cloud_is_snow_also_when_it_is_gone_the_next_morning():
    found = skies((always(1.0), free), (under_snow, free), (always(1.0), free), battery_C=-2.0)
    assert found[1].sky == "snow"


def test_it_does_not_snow_in_the_warm():
    found = skies(
        (always(1.0), free), (under_snow, free), (under_snow, free), (sliding, free), battery_C=12.0
    )
    assert "snow" not in [each.sky for each in found]


def test_too_little_read_or_an_array_cut_off_is_no_sky():
    day, _ = sun_day(FIRST, always(1.0))
    half = replace(
        day,
        steps=tuple(replace(step, power_W=None) if at > 140 else step for at, step in enumerate(day.steps)),
    )
    cut = replace(
        day,
        steps=tuple(replace(step, power_W=0.0, array_voltage_V=0.0, stage=Stage.OFF) for step in day.steps),
    )
    for unknown in (half, cut):
        (sky,) = skies_of([unknown], judged([unknown], SUPPLY), SUPPLY)
        assert (sky.sky, sky.index) == ("none", None)
