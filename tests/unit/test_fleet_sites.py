"""A simulated fleet: sites of their own, the same from the same seed, in the form in which mirrors send."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path
from pkgutil import resolve_name
from statistics import mean

import click
import numpy as np
import pytest

from monitor.quantities import QUANTITIES as CANONICAL
from monitor.served.lines import Lines
from monitor.store.mirrored_place import Point
from simulator.fleet.courses import Course, course_of, courses_of, world_of
from simulator.fleet.loading import CONNECTIONS, Loading
from simulator.fleet.plan import DAY_MS, DEVICES, QUANTITIES, Plan
from simulator.fleet.site import FleetSite

START_MS = 1_764_028_800_000 // DAY_MS * DAY_MS
PLAN = Plan(sites=20, start_ms=START_MS, span_ms=DAY_MS, every_ms=60_000, send_every_ms=600_000, seed=5)
LINE = re.compile(
    r"nightbank,site=(?P<site>\S+(?:\\ \S+)*),device=(?P<device>\w+) (?P<fields>\S+) (?P<at>\d+)"
)


@pytest.fixture(scope="module")
def courses() -> list[Course]:
    return courses_of(PLAN)


@pytest.fixture(scope="module")
def sites(courses: list[Course]) -> list[FleetSite]:
    return [FleetSite(PLAN, number, courses) for number in range(PLAN.sites)]


def point(line: str) -> Point:
    """A line read by the syntax's own words: tags up to the first free blank, then fields, then the time."""
    found = LINE.fullmatch(line)
    assert found is not None, line
    values: dict[str, float] = {}
    for each in found["fields"].split(","):
        name, text = each.split("=")
        values[name] = int(text[:-1]) if text.endswith("i") else float(text)
    return Point(int(found["at"]), found["device"], values)


def test_the_same_seed_gives_the_same_lines_and_another_one_others(
    sites: list[FleetSite], courses: list[Course]
) -> None:
    again = [course_of(world_of(PLAN, 0), PLAN), courses[1]]
    for site in sites[:3]:
        assert FleetSite(PLAN, site.number, again).lines(0, PLAN.polls) == site.lines(0, PLAN.polls)
    other = replace(PLAN, seed=6)
    assert not np.array_equal(course_of(world_of(other, 0), other), courses[0])
    assert FleetSite(other, 0, courses).lines(0, 10) != sites[0].lines(0, 10)


def test_lines_do_not_depend_on_how_a_day_is_cut_into_batches(sites: list[FleetSite]) -> None:
    whole = sites[4].lines(0, PLAN.polls)
    assert whole == [
        line for first in range(0, 1440, 7) for line in sites[4].lines(first, min(1440, first + 7))
    ]


def test_lines_are_what_a_mirror_would_send_of_the_same_readings(sites: list[FleetSite]) -> None:
    for site in sites:
        lines = site.lines(600, 720)
        assert Lines(site.name).of(point(line) for line in lines) == lines


def test_every_reading_is_a_quantity_that_the_monitor_knows_and_thinks_possible(
    sites: list[FleetSite],
) -> None:
    for site in sites:
        for line in site.lines(0, PLAN.polls):
            for name, value in point(line).values.items():
                assert CANONICAL[name].low <= value <= CANONICAL[name].high, line


def test_times_are_in_the_plans_span_rise_and_are_each_sites_own(sites: list[FleetSite]) -> None:
    firsts = set()
    for site in sites:
        times = {device: [] for device in DEVICES}
        for line in site.lines(0, PLAN.polls):
            times[point(line).device].append(point(line).time_ms)
        for each in times.values():
            assert len(each) == 1440
            assert each == sorted(set(each))
            assert PLAN.start_ms <= each[0]
            assert each[-1] < PLAN.end_ms + 1000
            assert 59_900 < mean(np.diff(each)) < 60_100
            assert len(set(np.diff(each))) > 10, "there is some jitter"
        firsts.add(times["shunt"][0])
    assert len(firsts) == PLAN.sites


def test_sites_have_names_sizes_and_days_of_their_own(sites: list[FleetSite]) -> None:
    assert len({site.name for site in sites}) == PLAN.sites
    courses_seen = set()
    for site in sites:
        charge = [point(line).values["charge_current_A"] for line in site.lines(0, 1440) if "charger" in line]
        assert max(charge) > 0.5, "there is a sun in the day"
        assert sorted(charge)[len(charge) // 4] < 0.5, "and a night"
        courses_seen.add(tuple(charge))
    assert len(courses_seen) == PLAN.sites


def test_a_poll_is_not_sent_before_it_is_over(sites: list[FleetSite]) -> None:
    for site in sites:
        for time_ms in range(PLAN.start_ms, PLAN.end_ms, 3_333_333):
            polled = site.polled_by(time_ms)
            if polled:
                assert max(point(line).time_ms for line in site.lines(polled - 1, polled)) <= time_ms
            if polled < PLAN.polls:
                assert min(point(line).time_ms for line in site.lines(polled, polled + 1)) > time_ms - 1000


class Heard:
    """A link to nowhere that keeps what it is given."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def write(self, text: str) -> None:
        self.texts.append(text)

    def close(self) -> None:
        pass


def test_a_site_without_network_sends_nothing_until_it_is_back_and_then_the_oldest_first(
    sites: list[FleetSite], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("simulator.fleet.loading.CONNECTIONS", 1)  # so that requests come in order of time
    heard = Heard()
    Loading(PLAN, sites, lambda: heard).run()
    site = next(each for each in sites if each.offline and each.offline[0][1] < PLAN.end_ms)
    from_ms, to_ms = site.offline[0]
    now_ms, given, waited = PLAN.start_ms, [], 0
    for text in heard.texts:
        points = [point(line) for line in text.splitlines()]
        assert len(points) <= 1000
        if text.startswith(f"nightbank,site={site.name.replace(' ', chr(92) + ' ')},"):
            given += points
            # the others' newest readings tell the time, as far as they send every ten minutes
            assert not from_ms + 700_000 < now_ms < to_ms - 700_000
            waited = max(waited, now_ms - points[0].time_ms)
        else:
            now_ms = max(now_ms, points[-1].time_ms)
    assert waited > to_ms - from_ms - 700_000, "it has caught up"
    assert [each.time_ms for each in given] == sorted(each.time_ms for each in given)
    assert len(given) == 2 * PLAN.polls


def test_about_one_site_of_five_is_offline_in_a_day_for_hours(courses: list[Course]) -> None:
    plan = replace(PLAN, sites=2000)
    spells = [FleetSite(plan, number, courses * 8).offline for number in range(2000)]
    some = [spell for each in spells for spell in each]
    # 2000 draws with a chance of 0.2: three standard deviations are 54
    assert 400 - 54 < len(some) < 400 + 54
    assert all(3_600_000 <= to_ms - from_ms <= 6 * 3_600_000 for from_ms, to_ms in some)


def test_a_plant_twice_as_large_has_the_same_voltages_and_twice_the_currents() -> None:
    """What sharing a course rests on, tried on the plant itself. The controller's own draw and the case that
    keeps it cool do not grow with it: so currents are held to 3 % of the largest (our choice)."""
    world = world_of(PLAN, 0)
    larger = replace(
        world,
        bank=replace(world.bank, strings_in_parallel=2 * world.bank.strings_in_parallel),
        array=replace(world.array, strings_in_parallel=2 * world.array.strings_in_parallel),
        controller=replace(world.controller, rating_A=2 * world.controller.rating_A),
        loads=tuple(replace(load, power_W=2 * load.power_W) for load in world.loads),
    )
    small, large = course_of(world, PLAN), course_of(larger, PLAN)
    voltage = QUANTITIES.index("battery_voltage_V")
    assert np.abs(large[voltage] - small[voltage]).mean() < 0.01 * small[voltage].mean()
    for name in ("battery_current_A", "charge_current_A", "load_current_A", "array_current_A"):
        row = QUANTITIES.index(name)
        most = np.abs(small[row]).max()
        assert most > 1
        assert np.abs(large[row] / 2 - small[row]).mean() < 0.03 * most, name


def test_the_command_joins_nightbank() -> None:
    project = tomllib.loads((Path(__file__).resolve().parents[2] / "pyproject.toml").read_text())
    command = resolve_name(project["project"]["entry-points"]["nightbank.commands"]["fleet"])
    assert isinstance(command, click.Group)
    assert "simulate" in command.commands


def test_a_run_that_is_told_to_stop_begins_no_more_requests(sites: list[FleetSite]) -> None:
    class Stopping(Heard):
        def write(self, text: str) -> None:
            super().write(text)
            loading.stopped = len(self.texts) >= 5

    heard = Stopping()
    loading = Loading(PLAN, sites, lambda: heard)
    loading.run()
    assert 5 <= len(heard.texts) < 5 + CONNECTIONS
    assert loading.tally.requests == len(heard.texts)
