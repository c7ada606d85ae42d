"""Whatever stands in a file that a person or a program wrote: it is taken or told, with no other error."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from monitor.clock import SteppedClock
from monitor.devices.capture import read_capture
from monitor.devices.device import build_lines
from monitor.devices.dump import DumpError, append_snapshot, last_time
from monitor.devices.line_form import find_form, find_kinds, hint
from monitor.devices.places import PlacesError, load_places
from monitor.errors import MatchError, NightbankError, SiteError
from monitor.match.dump import Dump, load_dump
from monitor.match.seen import load_seen
from monitor.records import parse_iso
from monitor.site.check import contradictions
from monitor.site.load import load_site, with_defaults
from tests.fuzz.drawn import fuzzed, spoilt, with_digits, with_numbers, with_values
from tests.unit.site_files import MARSH_HIDE

DUMP = """time,function,address,word
2026-11-25T10:30:00Z,4,0,126
2026-11-25T10:30:00Z,4,1,300
2026-11-25T10:40:00Z,4,0,127
2026-11-25T10:40:00Z,4,1,65535
"""
SEEN = """[[seen]]
time = 2026-11-25T10:30:00Z
battery_voltage_V = "12.6"
charge_current_A = "3.0 A"

[[seen]]
time = "2026-11-25T10:40:00Z"
battery_voltage_V = "12.7"
"""
CAPTURE = """2026-11-25T10:30:00Z V=12.64;I=-2.31;T=18.4*3D
2026-11-25T10:30:01Z V=12.65;I=-2.30;T=18.4*3D
2026-11-25T10:30:02Z V=12.63;I=-2.35;T=18.5*3C
[2026-11-25 10:30:03.5] V=12.63;I=-2.35;T=18.5*3C
"""
PLACES = """{"device": "bench, unit 1", "runs": [{"function": 4, "first": 0, "count": 20},
 {"function": 3, "first": 100, "count": 5}], "largest": 60, "remarks": ["Something odd."]}
"""


def dump_of(path: Path) -> Dump:
    path.write_text(DUMP, encoding="utf-8")
    return load_dump(path)


def a_dump(path: Path) -> None:
    for snapshot in load_dump(path).snapshots:
        for (function, address), word in snapshot.words.items():
            assert function in (3, 4)
            assert 0 <= address <= 65535
            assert 0 <= word <= 65535


def a_seen_file(path: Path) -> None:
    looks = load_seen(path, dump_of(path.with_name("beside.csv")))
    assert all(abs(shown.value) < 1e8 and shown.step > 0 for look in looks for shown in look.shown.values())


def a_capture(path: Path) -> None:
    lines = read_capture(path)
    assert lines
    assert isinstance(hint(lines), str)
    form = find_form(lines)
    if form is not None:
        assert all(kind.lines for kind in find_kinds(form, lines))


def places_kept(path: Path) -> None:
    places = load_places(path, "bench, unit 1")
    assert places is not None
    assert places.requests >= len(places.runs)
    assert " ".join(places.remarks) is not None
    for run in places.runs:
        assert 0 <= run.first < run.end <= 65536


def a_dump_to_go_on_with(path: Path) -> None:
    before = path.read_bytes()
    last = last_time(path)
    if last is not None:
        parse_iso(last)
    append_snapshot(path, 1_795_600_000_000, [(4, 0, 1)])
    assert path.read_bytes().startswith(before)


def a_site(path: Path) -> None:
    site, _ = with_defaults(load_site(path))
    assert all(problem.text for problem in contradictions(site))
    for line in build_lines(site, path.parent, SteppedClock(0)):
        line.close()


@dataclass(frozen=True)
class Kind:
    """A kind of file: what reads it and uses what it read, a good one, and what a bad one may raise."""

    name: str
    use: Callable[[Path], object]
    good: str
    error: type[NightbankError]
    toml: bool = False


KINDS = [
    Kind("dump", a_dump, DUMP, MatchError),
    Kind("seen", a_seen_file, SEEN, MatchError, toml=True),
    Kind("capture", a_capture, CAPTURE, MatchError),
    Kind("places", places_kept, PLACES, PlacesError),
    Kind("dump to go on with", a_dump_to_go_on_with, DUMP, DumpError),
    Kind("site", a_site, MARSH_HIDE, SiteError, toml=True),
]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_the_good_file_is_taken(tmp_path: Path, kind: Kind) -> None:
    path = tmp_path / "file"
    path.write_text(kind.good, encoding="utf-8")
    kind.use(path)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
@fuzzed(60)
@given(st.data())
def test_whatever_stands_in_a_file_is_taken_or_told(tmp_path: Path, kind: Kind, data: st.DataObject) -> None:
    path = tmp_path / "file"
    changed = spoilt(kind.good.encode()) | with_digits(kind.good)
    if kind.toml:
        changed |= with_values(kind.good) | with_numbers(kind.good)
    path.write_bytes(data.draw(changed))
    try:
        kind.use(path)
    except kind.error as error:
        told = str(error)
        assert told
        event("told")
    else:
        event("taken")


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("dump to go on with", DUMP + "\x00" + DUMP.splitlines()[-1] + "\n"),
        ("dump to go on with", DUMP + "2026-11-25 noon,4,0,1\n"),
        ("places", PLACES.replace("60", "1e999")),
        ("places", PLACES.replace("[{", "[[{")),
        ("places", PLACES.replace("[", "[" * 3000)),
        ("places", "[]"),
    ],
)
def test_what_was_found_stays_told(tmp_path: Path, name: str, text: str) -> None:
    kind = next(kind for kind in KINDS if kind.name == name)
    path = tmp_path / "file"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(kind.error, match="file"):
        kind.use(path)
