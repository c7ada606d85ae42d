"""The light that a page is given, and the colours in which the style sheet gives it."""

import re
from pathlib import Path

import pytest

import dashboard
from dashboard.dusk import Turns
from dashboard.look import CHOICES, GROUNDS, choice_of, html_attributes, metas, worn

SHEET = (Path(dashboard.__file__).parent / "assets/page.css").read_text(encoding="utf-8")
NIGHT, DAY = Turns(True, (1000,)), Turns(False, (1000,))


@pytest.mark.parametrize(
    ("choice", "turns", "look"),
    [
        ("hour", NIGHT, "night"),
        ("hour", DAY, "phone"),
        ("hour", None, "phone"),  # without the sun's times there is no night by itself
        ("phone", NIGHT, "phone"),
        ("day", NIGHT, "day"),
        ("night", DAY, "night"),
        ("night", None, "night"),
    ],
)
def test_night_comes_by_the_hour_unless_a_person_chose(choice, turns, look):
    assert worn(choice, turns) == look
    assert f'data-look="{look}"' in html_attributes(choice, turns)


@pytest.mark.parametrize("cookie", [None, "", "red", "night; x", "<script>"])
def test_a_senseless_cookie_is_the_usual(cookie):
    assert choice_of(cookie) == "hour"


def test_every_choice_is_kept():
    assert [choice_of(name) for name in CHOICES] == list(CHOICES)


def palettes():
    """The custom properties of the three lights, as the style sheet has them."""
    blocks = re.findall(r":root[^{]*\{([^}]*)\}", SHEET)
    return [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block)) for block in blocks[:3]]


def test_the_phones_own_bars_have_the_pages_ground():
    assert [palette["ground"] for palette in palettes()] == list(GROUNDS.values())
    assert GROUNDS["night"] in metas("night", None)
    assert GROUNDS["dark"] in metas("phone", None)


def luminance(colour):
    """WCAG 2.1's 'relative luminance' (from memory)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def test_night_is_red_and_dim_and_still_readable():
    light, dark, night = palettes()
    assert set(light) == set(night), "no colour of the day is left at night"
    for name, colour in night.items():
        red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
        assert red > 1.8 * green >= 1.8 * 0.7 * blue, name
        # our choice: half of what the dark look's ink gives off, which is near white
        assert luminance(colour) <= 0.5 * luminance(dark["ink"]), name
    for name in ("ink", "quiet", "alarm", "daemon"):
        # WCAG 2.1, success criterion 1.4.3 (AA): 4.5 : 1 (from memory)
        assert (luminance(night[name]) + 0.05) / (luminance(night["panel"]) + 0.05) >= 4.5, name
