"""The last day as plots: every stretch that was read is drawn, what was not read is grey."""

import xml.etree.ElementTree as ElementTree
from zoneinfo import ZoneInfo

import pytest

from dashboard.day_line import day_line, grid
from dashboard.snapshot import History
from monitor.records import Bucket, Series, parse_iso

END = parse_iso("2026-11-25T12:00:00Z")
DAY = 24 * 3600 * 1000
ZONE = ZoneInfo("Europe/London")


def series(volts, quantity="battery_voltage_V", gaps=()):
    """One bucket for each of the day's hours; None where nothing was read."""
    hour = DAY // 24
    start = END - DAY
    return Series(
        quantity,
        tuple(
            Bucket(start + n * hour, start + (n + 1) * hour, 720, value - 0.1, value, value + 0.1)
            for n, value in enumerate(volts)
            if value is not None
        ),
        gaps,
    )


def drawn(found, kind="voltage"):
    history = History(END - DAY, END, END, found, found)
    return ElementTree.fromstring(day_line(history, found, kind, ZONE))


def of_class(picture, name):
    return [element for element in picture.iter() if element.attrib.get("class") == name]


def test_the_mean_and_the_band_of_a_day_without_gaps():
    picture = drawn(series([12.5] * 24))
    (mean,), (band,) = of_class(picture, "voltage-mean"), of_class(picture, "voltage-band")
    assert len(mean.attrib["d"].partition("l")[2].split()) == 2 * 23
    assert len(band.attrib["d"].partition("l")[2].split()) == 2 * 47
    assert of_class(picture, "unread") == []


def test_a_gap_breaks_the_line_and_is_grey():
    gap = (END - DAY // 2, END - DAY // 4)
    picture = drawn(series([12.5] * 12 + [None] * 6 + [12.9] * 6, gaps=(gap,)))
    assert len(of_class(picture, "voltage-mean")) == 2
    (grey,) = of_class(picture, "unread")
    assert (grey.attrib["x"], grey.attrib["width"]) == ("50.00%", "25.00%")


def test_a_day_of_which_nothing_was_read_is_all_grey():
    (grey,) = of_class(drawn(series([])), "unread")
    assert (grey.attrib["x"], grey.attrib["width"]) == ("0.00%", "100.00%")


def test_the_hours_are_the_sites_own():
    words = [element.text for element in drawn(series([12.5] * 24)).iter("text")]
    assert words[-4:] == ["12:00", "18:00", "Wed", "06:00"]


def test_zero_has_a_line_of_its_own():
    assert len(of_class(drawn(series([-2.0, 3.0] * 12, "battery_current_A"), "current"), "zero")) == 1


@pytest.mark.parametrize(
    ("low", "high", "lines"),
    [
        (12.2, 15.3, [13, 14, 15]),
        (12.31, 12.81, [12.4, 12.6, 12.8]),
        (-5, 20, [0, 10, 20]),
        (0, 0.5, [0, 0.2, 0.4]),
    ],
)
def test_grid_lines_stand_on_round_values(low, high, lines):
    assert grid(low, high) == pytest.approx(lines)
