"""A plot as SVG: places by hand, well-formed, nothing that a word could break out of."""

import xml.etree.ElementTree as ElementTree

import pytest

from dashboard.svg import Plot, picture, words

PLOT = Plot(x_first=0, x_last=24, y_low=10, y_high=15, top=10, bottom=90)


def parsed(text):
    return ElementTree.fromstring(f"<svg>{text}</svg>")


@pytest.mark.parametrize(("value", "place"), [(0, 0), (6, 25), (24, 100), (-3, 0), (30, 100)])
def test_x_runs_from_edge_to_edge_and_no_farther(value, place):
    assert PLOT.x(value) == place


@pytest.mark.parametrize(("value", "place"), [(10, 90), (15, 10), (12.5, 50), (9, 90), (20, 10)])
def test_y_runs_upward_between_bottom_and_top(value, place):
    assert PLOT.y(value) == place


def test_a_curve_goes_through_its_points():
    path = parsed(PLOT.line([(0, 10), (12, 12.5), (24, 15)], "mean"))[0]
    # by hand: x 0, 50, 100 % and y 90, 50, 10 % of 2,000, as steps
    assert path.attrib == {"class": "mean", "d": "M0 1800l1000 -800 1000 -800"}


def test_a_band_goes_along_the_top_and_back_along_the_bottom():
    path = parsed(PLOT.band([(0, 10), (24, 10)], [(0, 15), (24, 12.5)], "band"))[0]
    assert path.attrib["d"] == "M0 200l2000 800 0 800 -2000 0Z"


def test_nothing_to_draw_draws_nothing():
    assert PLOT.line([], "mean") == ""
    assert PLOT.band([], [], "band") == ""


def test_a_field_is_cut_off_at_the_plots_edge():
    field = parsed(PLOT.field(18, 40, "unread"))[0]
    assert (field.attrib["x"], field.attrib["width"]) == ("75.00%", "25.00%")
    assert (field.attrib["y"], field.attrib["height"]) == ("10.00%", "80.00%")


@pytest.mark.parametrize(("x", "anchor"), [(2, "start"), (10, "middle"), (50, "middle"), (97, "end")])
def test_words_near_an_edge_grow_inward(x, anchor):
    assert parsed(words("12:00", x, 98))[0].attrib["text-anchor"] == anchor


def test_words_cannot_break_out():
    text = parsed(picture("day", words("</text><script>alert('1 & 2')", 50, 50)))
    assert text[0][0].text == "</text><script>alert('1 & 2')"
    assert [element.tag for element in text.iter()] == ["svg", "svg", "text"]
