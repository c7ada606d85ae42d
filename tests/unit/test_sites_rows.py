"""Many sites: the one that most needs a look comes first, and each is told in the words of its own page."""

from __future__ import annotations

import json
import time
import zlib
from dataclasses import replace

import pytest

from dashboard.many.listing import ON_A_PAGE, View, seen_in, view_of
from dashboard.many.rows import UNHEARD_MS, Need, row_of, snapshot_of, standing_of, standings
from dashboard.summary import summarize
from monitor.clock.course import Course
from monitor.records import AlarmState, Heartbeat, Quality, Reading, iso_utc
from monitor.served.site_state import SiteState
from monitor.site.load import site_of
from tests.unit.site_files import MARSH_HIDE

SITE = site_of(MARSH_HIDE, "the hide")
LAG_S = 90.0
MINUTE = 60_000
VALUES = {
    ("charger", "battery_voltage_V"): 12.47,
    ("derived", "battery_current_A"): -4.12,
    ("estimate", "state_of_charge"): 0.72,
    ("estimate", "state_of_charge_sd"): 0.04,
}


@pytest.fixture
def now() -> int:
    return time.time_ns() // 1_000_000


def a_state(now: int, name: str = "Hide", age_s: float = 10, **changes) -> SiteState:
    at = now - round(age_s * 1000)
    plain = SiteState(
        name,
        SITE,
        fault="",
        lag_s=LAG_S,
        latest=tuple(Reading(at, device, quantity, value) for (device, quantity), value in VALUES.items()),
        heartbeat=Heartbeat(at, at - 10**7, None),
        heard={"charger": at},
    )
    return replace(plain, **changes)


def alarm(priority: str, state: str = "unacknowledged") -> AlarmState:
    return AlarmState("Low voltage", state, 0, priority, 11.5, "Low voltage: 11.5 V", 0)


def packed(**document) -> bytes:
    return zlib.compress(json.dumps(json.dumps(document)).encode())


def need(state: SiteState) -> Need:
    return standing_of(state).need


# What the matter is


def test_a_site_that_was_just_read_is_well(now: int) -> None:
    assert need(a_state(now)) is Need.WELL


@pytest.mark.parametrize(
    ("priority", "expected"),
    [("urgent", Need.URGENT), ("high", Need.HIGH), ("medium", Need.MEDIUM), ("low", Need.LOW)],
)
def test_a_standing_alarm_counts_by_its_priority(now: int, priority: str, expected: Need) -> None:
    assert need(a_state(now, alarms=(alarm(priority),))) is expected
    assert need(a_state(now, alarms=(alarm("low"), alarm(priority)))) is expected


def test_a_shelved_alarm_does_not_stand(now: int) -> None:
    assert need(a_state(now, alarms=(alarm("urgent", "shelved"),))) is Need.WELL


def test_a_copy_is_not_silent_while_its_mirror_may_still_be_on_its_way(now: int) -> None:
    # by hand: two commits of 60 s and half a minute make 150 s, with the 90 s of the copy 240 s
    assert need(a_state(now, heartbeat=Heartbeat(now - 180_000, 0, None))) is Need.WELL
    assert need(a_state(now, heartbeat=Heartbeat(now - 300_000, 0, None))) is Need.UNWATCHED
    assert need(a_state(now, lag_s=None, heartbeat=Heartbeat(now - 210_000, 0, None))) is Need.UNWATCHED


def test_a_monitor_that_was_stopped_or_never_told_of_itself_watches_nothing(now: int) -> None:
    assert need(a_state(now, heartbeat=Heartbeat(now, 0, now))) is Need.UNWATCHED
    assert need(a_state(now, heartbeat=None)) is Need.UNWATCHED


def test_a_silent_device_is_seen_behind_others_that_answer(now: int) -> None:
    more = SITE.devices[0].model_copy(update={"name": "shunt", "port": "/dev/b"})
    two = SITE.model_copy(update={"devices": (*SITE.devices, more)})
    standing = standing_of(a_state(now, site=two, heard={"charger": now, "shunt": now - 9 * MINUTE}))
    assert standing.need is Need.UNREAD
    assert row_of(standing).oldest == "Oldest reading: shunt, 9 min ago"
    never = standing_of(a_state(now, site=two))
    assert never.need is Need.UNREAD
    assert row_of(never).oldest == "shunt was never read"


def test_a_site_without_records_is_unknown_until_it_is_silent(now: int) -> None:
    only = SiteState("Hide", heard={"charger": now - MINUTE})
    assert need(only) is Need.UNKNOWN
    assert need(replace(only, heard={"charger": now - UNHEARD_MS - MINUTE})) is Need.UNREAD
    assert need(replace(only, heard={})) is Need.UNKNOWN


def test_the_order_is_that_of_need_and_then_of_names(now: int) -> None:
    states = [
        a_state(now, "b well"),
        a_state(now, "A well"),
        SiteState("unknown"),
        a_state(now, "low", alarms=(alarm("low"),)),
        a_state(now, "stopped", heartbeat=Heartbeat(now, 0, now)),
        a_state(now, "urgent", alarms=(alarm("urgent"),)),
        a_state(now, "unread", heard={}),
    ]
    assert [each.name for each in standings(states)] == [
        "urgent",
        "stopped",
        "low",
        "unread",
        "unknown",
        "A well",
        "b well",
    ]


# The words


def test_the_sentence_is_that_of_the_sites_own_page(now: int) -> None:
    state = a_state(now)
    own = summarize(snapshot_of(standing_of(state)), SITE)
    assert own.sentence == "The bank is 72 % charged (64 to 80 %) and gives 4.1 A, at 12.5 V."
    assert row_of(standing_of(state)).sentence == own.sentence


def test_the_night_ahead_goes_before_the_bank_now_until_it_is_old(now: int) -> None:
    hour = 3_600_000
    ahead = {"sentence": "Lasts until morning.", "array_helps_from": None}
    course = [{"time": iso_utc(now + hour), "soc": {"p10": 0.5, "p50": 0.6, "p90": 0.7}}]
    fresh = a_state(now, packed_outlook=packed(at=iso_utc(now - hour // 4), course=course, **ahead))
    assert row_of(standing_of(fresh)).sentence == "Lasts until morning."
    old = a_state(now, packed_outlook=packed(at=iso_utc(now - 3 * hour), course=course, **ahead))
    assert row_of(standing_of(old)).sentence.endswith("(3 h ago): Lasts until morning.")
    spoilt = a_state(now, packed_outlook=zlib.compress(b"{"))
    assert row_of(standing_of(spoilt)).sentence.startswith("The bank is 72 % charged")


def test_an_old_charge_is_told_as_old(now: int) -> None:
    assert row_of(standing_of(a_state(now))).charge == "72 % (64 to 80 %, 19 times in 20)"
    old = row_of(standing_of(a_state(now, age_s=3 * 3600)))
    assert old.charge == "72 % (64 to 80 %, 19 times in 20), as it was 3 h ago"
    (silent,) = old.troubles
    assert silent.kind == "silent"
    assert "which cannot be told from here" in silent.text


def test_of_a_monitor_that_did_not_know_the_time_no_age_is_told(now: int) -> None:
    untold = Course("a boot at the site", now - 3 * 3_600_000).note()
    standing = standing_of(a_state(now, age_s=3 * 3600, clock=untold))
    row = row_of(standing)
    assert standing.need is Need.UNWATCHED
    assert row.charge == "72 % (64 to 80 %, 19 times in 20), as it was when last heard of"
    assert row.oldest == "Oldest reading: charger, how long ago is not known"
    (trouble,) = row.troubles
    assert (trouble.kind, trouble.age) == ("clock", "")
    assert "did not know the time when it was last heard of" in trouble.text


def test_a_charge_that_is_not_known_is_told_so(now: int) -> None:
    row = row_of(standing_of(a_state(now, latest=())))
    assert row.charge == "— (not estimated yet)"
    assert row.sentence == "Nothing has been read from the bank yet."


def test_a_standing_alarm_is_told_first(now: int) -> None:
    stopped = Heartbeat(now, 0, now - 10 * MINUTE)
    row = row_of(standing_of(a_state(now, alarms=(alarm("high"),), heartbeat=stopped)))
    assert [each.kind for each in row.troubles] == ["alarm", "stopped"]
    assert "Low voltage: 11.5 V" in row.troubles[0].text


def test_of_a_site_without_records_it_is_said_what_its_mirror_lacks(now: int) -> None:
    row = row_of(standing_of(SiteState("Hide", heard={"charger": now - MINUTE})))
    assert 'with send = ["all"] in its mirror' in row.sentence
    assert (row.charge, row.oldest) == ("", "Oldest reading: charger, 1 min ago")
    assert row.troubles == ()


def test_a_voltage_that_is_missing_is_told_with_its_reason(now: int) -> None:
    missing = Reading(now - 5000, "charger", "battery_voltage_V", None, Quality.MISSING, "line lost")
    good = Reading(now - 5 * MINUTE, "charger", "battery_voltage_V", 12.4)
    state = a_state(now, latest=(missing,), last_good={"battery_voltage_V": good})
    assert "not known: line lost; last 12.4 V" in row_of(standing_of(state)).sentence


def test_an_outlook_of_another_kind_spoils_no_list(now: int) -> None:
    row = row_of(standing_of(a_state(now, packed_outlook=packed(at=iso_utc(now)))))
    assert row.sentence == row_of(standing_of(a_state(now))).sentence  # the bank's own
    assert row.oldest.startswith("Oldest reading: charger")


# What an address shows


def test_an_address_that_makes_no_sense_shows_all() -> None:
    assert view_of({}) == View()
    assert view_of({"page": "x", "show": "none", "find": " "}) == View()
    assert view_of({"page": "0"}) == View()
    assert view_of({"find": "x" * 1000}).find == "x" * 60


def test_an_address_holds_the_state_and_comes_back() -> None:
    view = View("wet & ä", in_trouble=True, page=3)
    assert view.address == "/?find=wet+%26+%C3%A4&show=trouble&page=3"
    assert View().address == "/"


def test_sites_are_shown_by_pages_and_found_by_a_part_of_the_name(now: int) -> None:
    found = standings(
        [a_state(now, f"Hut {n:03}", alarms=(alarm("low"),) if n % 10 == 0 else ()) for n in range(60)]
    )
    shown, count, view = seen_in(View(page=9), found)
    assert (len(shown), count, view.page) == (60 - 2 * ON_A_PAGE, 60, 3)
    some, count, _ = seen_in(View("HUT 00"), found)
    assert (some[0].name, count) == ("Hut 000", 10)
    assert seen_in(View(in_trouble=True), found)[1] == 6
    assert seen_in(View("none"), found) == ([], 0, View("none"))
