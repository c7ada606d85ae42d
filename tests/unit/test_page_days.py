"""The days on the page: which ones an address names, rows, words, pictures. The days are invented."""

import re
import xml.etree.ElementTree as ElementTree
from datetime import date

import pytest

from dashboard.day_pictures import energy_unit, harvest_picture, lowest_picture
from dashboard.days import DayRow, Span, asked_span, energy, sentences, take_days, week_row
from dashboard.sun_pictures import Course, hour_map, laid_over, take_courses
from monitor.day_book import note_key
from monitor.records import Reading, parse_iso
from monitor.site.load import load_site
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE, write

TODAY = date(2026, 11, 25)


def row(day, **changes):
    found = {
        "first": date(2026, 11, day),
        "days": 1,
        "sky": "broken",
        "harvest_Wh": 500.0,
        "clear_sky_Wh": 1000.0,
        "unused_Wh": 0.0,
        "used_Wh": 300.0,
        "voltage_min_V": 12.2,
        "soc_min": 0.7,
        "full_days": 0,
    }
    return DayRow(**found | changes)


@pytest.mark.parametrize(
    ("query", "first", "last"),
    [
        ({}, "2026-11-12", "2026-11-25"),
        ({"to": "2026-11-10", "days": "7"}, "2026-11-04", "2026-11-10"),
        ({"to": "2026-12-24"}, "2026-11-12", "2026-11-25"),  # not beyond today
        ({"to": "nonsense", "days": "-4"}, "2026-11-12", "2026-11-25"),
        ({"to": "2026-11-25", "days": "9999999999"}, "2026-11-12", "2026-11-25"),
        ({"to": "2026-11-25", "days": "9" * 5000}, "2026-11-12", "2026-11-25"),  # more than int() reads
        ({"to": "0001-01-01", "days": "365"}, "1999-01-02", "2000-01-01"),
    ],
)
def test_an_address_names_its_days_and_garbage_the_usual_ones(query, first, last):
    assert asked_span(query, TODAY) == Span(date.fromisoformat(first), date.fromisoformat(last))


def test_the_span_before_and_after_touch_it():
    span = Span(date(2026, 11, 12), date(2026, 11, 25))
    assert span.beside(-1) == Span(date(2026, 10, 29), date(2026, 11, 11))
    assert span.beside(1).first == date(2026, 11, 26)
    assert span.of_length(30).days == 30


@pytest.fixture
def store(tmp_path):
    """23 November with an entry, the 24th with readings alone (10 W for a day), the 25th with nothing."""
    with open_writer(tmp_path / "store.db", "Europe/London") as writer:
        start = parse_iso("2026-11-23T00:00:00Z")
        for at in range(start, start + 2 * 86_400_000, 600_000):
            for name, value in (("battery_voltage_V", 12.5), ("array_power_W", 10.0)):
                writer.append([Reading(at, "charger", name, value)])
            for name, value in (("state_of_charge", 0.8), ("state_of_charge_sd", 0.05)):
                writer.append([Reading(at, "estimate", name, value)])
        writer.put_note(
            note_key(date(2026, 11, 23)),
            '{"date": "2026-11-23", "sky": "dark", "harvest_Wh": 231.0, "clear_sky_Wh": 1150.0,'
            ' "unused_Wh": 4.0, "used_Wh": 310.0, "battery_voltage_min_V": 12.11, "full": false,'
            ' "lowest_soc": 0.61}',
        )
        writer.commit()
        yield writer


@pytest.fixture
def site(tmp_path):
    return load_site(write(tmp_path, MARSH_HIDE))


def test_rows_come_from_the_book_and_else_from_the_days_sums(store, site):
    rows = take_days(store, site, Span(date(2026, 11, 23), date(2026, 11, 25)))
    judged, summed, empty = rows
    assert (judged.sky, judged.harvest_Wh, judged.soc_min, judged.full_days) == ("dark", 231.0, 0.61, 0)
    assert (summed.sky, summed.clear_sky_Wh, summed.full_days) == ("none", None, None)
    assert summed.harvest_Wh == pytest.approx(10 * 24, rel=0.01)
    assert summed.soc_min == pytest.approx(0.8)
    assert (judged.soc_sd, summed.soc_sd) == (pytest.approx(0.05), pytest.approx(0.05))
    assert (empty.days, empty.harvest_Wh) == (0, None)


def test_long_spans_go_by_weeks(store, site):
    rows = take_days(store, site, Span(date(2026, 8, 27), date(2026, 11, 25)))
    assert len(rows) == 14
    assert rows[-1].first == date(2026, 11, 23)
    assert rows[-1].days == 2
    assert rows[-1].harvest_Wh == pytest.approx(231 + 240, rel=0.01)


def test_a_week_sums_what_is_known_and_keeps_the_lowest():
    week = week_row([row(16, soc_min=0.5), row(17, harvest_Wh=None, sky="dark"), row(18, full_days=1)])
    assert (week.days, week.harvest_Wh, week.soc_min, week.sky, week.full_days) == (
        3,
        1000.0,
        0.5,
        "broken",
        1,
    )


def test_the_words_say_what_came_of_what_could_have():
    text = " ".join(sentences([row(16, unused_Wh=200.0), row(17, full_days=1, soc_min=0.55)]))
    assert text == (
        "The array gave 1.0 kWh, 50 % of what a clear sky would have given; about 200 Wh more was there and "
        "the full bank did not take it. The loads took 600 Wh. The bank got full on 1 of 2 days. Its lowest "
        "charge was 55 %, on Tue 17 Nov."
    )


def test_what_is_not_known_is_not_said():
    unknown = dict.fromkeys(("harvest_Wh", "used_Wh", "soc_min", "full_days", "clear_sky_Wh"))
    assert sentences([row(16, **unknown)]) == ["In these days there is nothing to add up."]
    assert sentences([row(16, days=0, **unknown)]) == ["Nothing was read in these days."]


@pytest.mark.parametrize(("value", "text"), [(0, "0 Wh"), (840.4, "840 Wh"), (8214, "8.2 kWh")])
def test_energies_as_a_person_reads_them(value, text):
    assert energy(value) == text


def address(row):
    return f"/{row.first}"


def of_class(text, name):
    return [element for element in ElementTree.fromstring(text).iter() if element.attrib.get("class") == name]


def test_bars_have_the_height_of_what_came():
    text = harvest_picture([row(16, unused_Wh=250.0), row(17, sky="dark", harvest_Wh=100.0)], address)
    (broken,), (unused,), (dark,) = (
        of_class(text, kind) for kind in ("sky-broken", "unused sky-broken", "sky-dark")
    )
    heights = [float(bar.attrib["height"].rstrip("%")) for bar in (broken, unused, dark)]
    assert heights[0] / heights[1] == pytest.approx(2.0, abs=0.01)
    assert heights[0] / heights[2] == pytest.approx(5.0, abs=0.02)
    assert len(of_class(text, "clear-sky")) == 2
    assert [word.text for word in of_class(text, "letter")] == ["b", "d"]


def test_each_day_of_a_picture_leads_to_its_address():
    for text in (
        harvest_picture([row(16), row(17)], address),
        lowest_picture([row(16), row(17)], 0.5, address),
        hour_map([course(16), course(17)], Span(date(2026, 11, 16), date(2026, 11, 17)), 450.0, "/{}".format),
    ):
        links = [each for each in ElementTree.fromstring(text).iter() if each.tag == "a"]
        assert [link.attrib["href"] for link in links] == ["/2026-11-16", "/2026-11-17"]
        assert {link.attrib["tabindex"] for link in links} == {"-1"}


def test_a_weeks_days_end_with_its_sunday_or_with_the_span():
    year = Span(date(2025, 11, 26), date(2026, 11, 25))
    assert year.end_of(row(16)) == date(2026, 11, 23)
    assert year.end_of(row(23)) == date(2026, 11, 26)
    assert Span(date(2026, 11, 12), date(2026, 11, 25)).end_of(row(16)) == date(2026, 11, 17)


def test_of_many_days_a_letter_stands_where_the_sky_changes():
    skies = ["clear"] * 10 + ["dark"] * 10
    text = harvest_picture([row(at + 1, sky=sky) for at, sky in enumerate(skies)], address)
    assert [word.text for word in of_class(text, "letter")] == ["c", "d"]


@pytest.mark.parametrize(("most", "unit", "labels"), [(8400.0, "kWh", "5"), (500.0, "Wh", "200 400")])
def test_the_scale_is_in_the_unit_that_the_heading_names(most, unit, labels):
    rows = [row(16, harvest_Wh=most, clear_sky_Wh=None)]
    assert energy_unit(rows)[0] == unit
    told = [word.text for word in of_class(harvest_picture(rows, address), "scale")]
    assert told[: len(labels.split())] == labels.split()


def test_a_full_day_has_a_filled_dot():
    text = lowest_picture([row(16), row(17, full_days=1), row(18, soc_min=None)], 0.5, address)
    assert (len(of_class(text, "day-low")), len(of_class(text, "day-full"))) == (1, 1)
    assert len(of_class(text, "reserve")) == 1


def test_a_use_that_is_not_known_of_all_days_says_of_how_many():
    some = [row(16), row(17, used_Wh=None), row(18, days=0, used_Wh=None)]
    assert "The loads took 300 Wh, as far as it is known: on 1 of 2 days." in sentences(some)
    assert "The loads took 600 Wh." in sentences([row(16), row(17)])


def test_a_charge_that_is_known_only_roughly_is_told_by_its_band_as_on_tonight():
    """By hand: 0.41 - 2 x 0.17 = 0.07, 0.41 + 2 x 0.17 = 0.75; a deviation of 0.04 leaves one figure."""
    told = sentences([row(16, soc_min=0.41, soc_sd=0.17), row(17)])[-1]
    assert told == "Its lowest charge was somewhere between 7 and 75 %, on Mon 16 Nov."
    assert sentences([row(16, soc_min=0.41, soc_sd=0.04)])[-1] == "Its lowest charge was 41 %, on Mon 16 Nov."
    week = week_row([row(16, soc_min=0.41, soc_sd=0.17), row(17, soc_sd=0.02)])
    assert (week.soc_min, week.soc_sd) == (0.41, 0.17)


def test_the_lowest_charge_has_its_band_in_the_picture():
    text = lowest_picture([row(16, soc_sd=0.1), row(17), row(18, soc_min=None, soc_sd=0.1)], 0.5, address)
    (band,) = of_class(text, "soc-band")
    # by hand: 0.7 +- 0.2 is 0.4 of the plot's 80 % of height
    assert float(band.attrib["height"].rstrip("%")) == pytest.approx(32.0)


def course(day, power_W=200.0, noon_h=12.0):
    power = ((11.5, power_W / 2), (12.0, power_W), (12.5, power_W / 2))
    return Course(date(2026, 11, day), "clear", power, noon_h, ((8.0, 0.0), (12.0, 250.0), (16.0, 0.0)))


def test_the_map_has_a_field_for_each_half_hour_with_light():
    span = Span(date(2026, 11, 23), date(2026, 11, 24))
    text = hour_map([course(23), course(24, power_W=450.0)], span, rated_W=450.0, address=str)
    # by hand: 100/450 lies in the second fifth, 200/450 and 225/450 in the third, 450/450 in the last
    assert [len(of_class(text, f"shade-{shade}")) for shade in range(1, 6)] == [0, 2, 3, 0, 1]


def test_days_are_laid_over_each_other_by_the_suns_noon():
    early, late = course(23, noon_h=11.0), course(24, noon_h=13.0)
    text = laid_over([early, late])
    (older,), (newest,) = of_class(text, "course course-clear"), of_class(text, "newest")
    older_x, newest_x = (int(path.attrib["d"][1:].split()[0]) for path in (older, newest))
    assert older_x - newest_x == pytest.approx(2000 * 2 / 18, abs=1)
    assert laid_over([course(23, noon_h=None)]) == ""


@pytest.mark.parametrize(
    ("day", "noon"),
    [
        # the EU's rule: last Sunday of March and October, 1:00 UTC (directive 2000/84/EC)
        ("2026-03-29", "2026-03-29T11:00:00Z"),
        ("2026-06-21", "2026-06-21T11:00:00Z"),
        ("2026-10-25", "2026-10-25T12:00:00Z"),
    ],
)
def test_hours_of_the_map_are_those_of_the_clock_also_where_the_day_has_23_or_25(tmp_path, day, noon):
    site = load_site(write(tmp_path, MARSH_HIDE))
    noon_ms = parse_iso(noon)  # twelve o'clock in London
    with open_writer(tmp_path / "hours.db", "Europe/London") as writer:
        writer.append([Reading(noon_ms, "charger", "array_power_W", 100.0)])
        writer.commit()
        this = date.fromisoformat(day)
        (course,) = take_courses(writer, site, Span(this, this), {})
    ((since_midnight_h, power_W),) = course.power_W
    # the middle of one of 48 pieces of the day
    assert (since_midnight_h + course.set_h, power_W) == (pytest.approx(12.0, abs=0.3), 100.0)
    span = Span(this, this)
    (left_percent, width_percent) = re.search(
        r'class="shade-5" x="([\d.]+)%"[^>]* width="([\d.]+)%"', hour_map([course], span, 100.0, str)
    ).groups()
    # twelve o'clock stands in the middle of the picture, under which "12:00" is written
    assert float(left_percent) + float(width_percent) / 2 == pytest.approx(50.0, abs=1.2)


def test_a_share_says_by_how_many_days_it_is_told():
    """A young store has no table of the sun for its first days: 500 of 1000 Wh on one day, 900 alone."""
    some = [row(16), row(17, harvest_Wh=900.0, clear_sky_Wh=None)]
    told = [
        "The array gave 1.4 kWh, 50 % of what a clear sky would have given.",
        "The share is of 1 of 2 days, those of which both are known.",
    ]
    assert sentences(some)[:2] == told
    assert sentences([week_row(some)])[:2] == told  # a week's sums are not of the same days
