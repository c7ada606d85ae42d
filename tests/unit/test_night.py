"""The night line and its words, from an outlook's document. Invented nights, figures by hand."""

import copy
import json
import xml.etree.ElementTree as ElementTree
from zoneinfo import ZoneInfo

import pytest

from dashboard.app import make_app
from dashboard.night import begin_ms, is_whole, night_of
from dashboard.pages import PAGES
from dashboard.snapshot import outlook_of
from monitor.clock import SystemClock
from monitor.outlook import OUTLOOK_NOTE
from monitor.records import Bucket, Series, iso_utc, parse_iso
from monitor.site.load import load_site
from monitor.store.embedded import leave_request, open_reader, open_writer
from tests.unit.site_files import MARSH_HIDE, write

ZONE = ZoneInfo("Europe/London")
AT = parse_iso("2026-01-14T17:00:00Z")
HOUR = 3_600_000


def band(middle, half=0.05):
    return {"p10": middle - half, "p50": middle, "p90": middle + half}


def document(**changes):
    """Seventeen hours from 80 % downward by 2 % an hour until 08:00, when the array helps."""
    course = [{"time": iso_utc(AT + n * HOUR), "soc": band(0.80 - 0.02 * min(n, 15))} for n in range(1, 24)]
    found = {
        "at": iso_utc(AT),
        "sunset": "2026-01-14T16:00:00Z",
        "sunrise": "2026-01-15T08:00:00Z",
        "array_helps_from": iso_utc(AT + 15 * HOUR),
        "soc": 0.80,
        "reserve_soc": 0.50,
        "soc_min": band(0.50),
        "battery_voltage_min_V": band(12.1, 0.1),
        "low_at": iso_utc(AT + 15 * HOUR),
        "hours_left": 14.6,
        "wet_days_left": 1,
        "sentence": "May not last until morning: lowest about 50 % at 08:00, and the reserve is 50 %.",
        "basis": ["loads as on the last 20 nights of this site"],
        "switch_off": [{"branch": "2", "loads": ["lamps", "radio"], "power_W": 41.6, "lasts": True}],
        "course": course,
    }
    return found | changes


def past():
    first = AT - HOUR
    return Series(
        "state_of_charge",
        tuple(
            Bucket(first + n * HOUR // 4, first + (n + 1) * HOUR // 4, 9, 0.8, 0.81, 0.82) for n in range(4)
        ),
        (),
    )


def drawn(night):
    return ElementTree.fromstring(night.picture)


def of_class(picture, name):
    return [element for element in picture.iter() if element.attrib.get("class") == name]


def test_the_picture_reaches_from_the_first_reading_to_an_hour_after_the_array_helps():
    night = night_of(document(), past(), AT, ZONE)
    assert [row[0] for row in night.rows][-1] == "09:00"
    hours = [element.text for element in drawn(night).iter("text") if ":" in element.text]
    assert hours == ["18:00", "21:00", "00:00", "03:00", "06:00"]


def test_gone_and_ahead_are_different_lines_and_the_present_stands_between():
    picture = drawn(night_of(document(), past(), AT, ZONE))
    (gone,), (ahead,), (now,) = (of_class(picture, name) for name in ("gone", "ahead-mean", "now"))
    # by hand: 16:07:30 to 09:00 is the width of 1012.5 min; 17:00 is 52.5 min into it
    assert float(now.attrib["x1"].rstrip("%")) == pytest.approx(100 * 52.5 / 1012.5, abs=0.01)
    assert gone.attrib["d"].startswith("M0 ")
    assert int(ahead.attrib["d"][1:].split()[0]) > 2000 * 52.5 / 1012.5


def test_the_reserve_is_a_line_with_its_figure():
    picture = drawn(night_of(document(), past(), AT, ZONE))
    assert len(of_class(picture, "reserve")) == 1
    assert "reserve 50 %" in [element.text for element in picture.iter("text")]


def test_the_dark_hours_are_those_between_sunset_and_sunrise():
    (dark,) = of_class(drawn(night_of(document(), past(), AT, ZONE)), "dark")
    assert dark.attrib["x"] == "0.00%"
    assert float(dark.attrib["width"].rstrip("%")) == pytest.approx(100 * 952.5 / 1012.5, abs=0.01)
    assert of_class(drawn(night_of(document(sunrise=None), past(), AT, ZONE)), "dark") == []


def test_the_words_say_what_the_picture_shows():
    told = night_of(document(), past(), AT, ZONE).told
    assert told == (
        "The lowest point comes at about 08:00: 50 % of charge is likely, 45 % to 55 % in 8 nights of 10. "
        "The voltage goes down to 12.1 V (12.0 to 12.2 V). At the present load the bank reaches its reserve "
        "in 15 h. From here it can stand 1 wet day in a row."
    )


def test_what_is_not_known_or_far_off_is_not_told():
    told = night_of(document(hours_left=None, wet_days_left=30), past(), AT, ZONE).told
    assert "present load" not in told
    assert "wet" not in told


@pytest.mark.parametrize(
    ("hours", "days", "ends"),
    [
        (0.0, 0, "in 8 nights of 10. From here it cannot stand one wet day."),
        (0.4, 0, " reaches its reserve within an hour. From here it cannot stand one wet day."),
        (1.4, 2, " reaches its reserve in 1 h. From here it can stand 2 wet days in a row."),
    ],
    ids=["below its reserve", "nearly", "soon"],
)
def test_little_that_is_left_is_not_told_as_zero(hours, days, ends):
    """'Reaches its reserve in 0 h' would contradict 'already below the reserve'."""
    given = document(hours_left=hours, wet_days_left=days, battery_voltage_min_V=None)
    assert night_of(given, past(), AT, ZONE).told.endswith(ends)


def test_what_to_switch_off_says_whether_it_is_enough():
    night = night_of(document(), past(), AT, ZONE)
    assert night.reliefs == ("With lamps and radio off now (branch 2, 42 W): it lasts.",)
    other = copy.deepcopy(document())
    other["switch_off"][0]["lasts"] = False
    assert night_of(other, past(), AT, ZONE).reliefs[0].endswith("it is still not enough.")


@pytest.mark.parametrize(
    ("age_h", "fresh", "begins"),
    [(0.5, True, "May not last"), (3, False, "As of 17:00 (3 h ago): May not last")],
)
def test_an_old_outlook_is_told_with_its_age(age_h, fresh, begins):
    night = night_of(document(), past(), AT + round(age_h * HOUR), ZONE)
    assert night.fresh is fresh
    assert night.sentence.startswith(begins)


def test_a_day_old_outlook_tells_nothing():
    assert night_of(document(), past(), AT + 25 * HOUR, ZONE) is None


def test_an_outlook_whose_night_is_over_tells_nothing_of_the_coming_one():
    """At 09:00 its course ends: 'lasts until morning' would be read as the morning to come."""
    assert night_of(document(), past(), AT + 15 * HOUR, ZONE) is not None
    assert night_of(document(), past(), AT + 16 * HOUR, ZONE) is None


def test_an_old_outlook_does_not_speak_of_the_present_load():
    night = night_of(document(), past(), AT + 3 * HOUR, ZONE)
    assert "present load" not in night.told
    assert "wet day" not in night.told
    assert night.reliefs == ()  # 'with the lamps off now it lasts'


@pytest.mark.parametrize(
    ("low_h", "begins"),
    [
        (1.5, "The lowest point comes at about 18:30: 50 % of charge is"),
        (0.5, "The lowest point was expected at about 17:30: 50 % of charge was"),
    ],
)
def test_a_lowest_point_that_has_passed_is_told_as_such(low_h, begins):
    """On a charging morning the lowest point is the one at which the outlook begins."""
    given = document(low_at=iso_utc(AT + round(low_h * HOUR)))
    told = night_of(given, past(), AT + round(0.75 * HOUR), ZONE).told
    assert told.startswith(begins)
    assert ("was expected to go down to" in told) == begins.endswith("was")


def test_the_past_begins_at_sunset_but_not_before_a_long_night():
    assert begin_ms(document(), AT) == AT - HOUR
    assert begin_ms(document(sunset=None), AT) == AT
    assert begin_ms(document(), AT + 20 * HOUR) == AT + 6 * HOUR
    assert begin_ms(document(sunset=iso_utc(AT + HOUR)), AT) == AT  # by day: the coming sunset


def test_without_a_stored_charge_there_is_still_the_course():
    picture = drawn(night_of(document(), None, AT, ZONE))
    assert of_class(picture, "gone") == []
    assert len(of_class(picture, "ahead-band")) == 1


OF_ANOTHER_VERSION = {
    "without the days that a bank can stand": lambda found: found.pop("wet_days_left"),
    "without a course": lambda found: found.pop("course"),
    "with a course of another form": lambda found: found["course"][0].pop("soc"),
    "with reliefs of another form": lambda found: found["switch_off"][0].pop("lasts"),
    "with no more than its time": lambda found: [found.pop(name) for name in set(found) - {"at"}],
}


@pytest.mark.parametrize("lacks", OF_ANOTHER_VERSION.values(), ids=OF_ANOTHER_VERSION)
def test_an_outlook_of_a_version_that_tells_less_is_not_known(lacks, tmp_path):
    older = copy.deepcopy(document())
    assert is_whole(older)
    lacks(older)
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        store.put_note(OUTLOOK_NOTE, json.dumps(older))
        assert outlook_of(store) is None


@pytest.mark.parametrize("other", [None, [], "x", 3, {"at": 3}])
def test_what_is_no_outlook_is_not_known(other):
    assert not is_whole(other)


def test_no_page_errs_on_an_outlook_of_another_version(tmp_path):
    store, site = tmp_path / "nightbank.db", load_site(write(tmp_path, MARSH_HIDE))
    older = {"at": iso_utc(SystemClock().now_ms()), "sentence": "Lasts until morning."}
    with open_writer(store, "Europe/London") as writer:
        writer.put_note(OUTLOOK_NOTE, json.dumps(older))
        writer.commit()
    app = make_app(lambda: open_reader(store), site, store, lambda asked: leave_request(store, asked))
    phone = app.server.test_client()
    assert {page.path: phone.get(page.path).status_code for page in PAGES} == {
        page.path: 200 for page in PAGES
    }
