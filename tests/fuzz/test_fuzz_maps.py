"""Whatever stands in a profile and whatever words or lines come: advice or readings, never anything else.

A reading is good only within the plausible range of its quantity or of the profile, and the store takes it.
"""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from monitor.clock import SteppedClock
from monitor.devices.health import HealthRecord
from monitor.devices.planner import Cost
from monitor.devices.profile import SunSpecProfile, TextProfile
from monitor.devices.profile_file import SHIPPED, load_profile, shipped_profiles
from monitor.devices.registers import RegisterDevice
from monitor.devices.sunspec.device import SunSpecDevice
from monitor.devices.textline import LineJudge, LineSplitter, crc16, xor_of
from monitor.devices.words import Meaning
from monitor.errors import BadFrame, DeviceError, ProfileError
from monitor.quantities import QUANTITIES
from monitor.records import Quality, Reading
from monitor.store.steps import as_kept
from tests.fuzz.answering import Remembering
from tests.fuzz.drawn import fuzzed, spoilt, with_numbers, with_values
from tests.fuzz.profiles import SOUND
from tests.unit.test_sunspec_device import chain, packed

NOW_MS = 1_795_600_000_000
HEALTH = partial(HealthRecord, "bench", "bench", 0)
TEXTS = {name: (SHIPPED / f"{name}.toml").read_text(encoding="utf-8") for name in shipped_profiles()}
CHANGED = st.sampled_from(sorted(TEXTS)).flatmap(
    lambda name: with_values(TEXTS[name]) | with_values(TEXTS[name]) | spoilt(TEXTS[name].encode())
)
FILES = CHANGED.map(lambda text: (text, False)) | st.one_of(
    SOUND.map(lambda text: (text.encode(), True)),
    SOUND.map(lambda text: (text.encode(), True)),
    SOUND.flatmap(with_numbers).map(lambda text: (text, False)),
    SOUND.flatmap(with_values).map(lambda text: (text, False)),
)
"""A profile, and whether it keeps every rule."""


def check(quantity: str, value: float | None, quality: Quality, meaning: Meaning) -> bool:
    """A value is good only where it is finite and plausible, and the store can keep whatever it is. Whether
    it is good."""
    if quality is Quality.GOOD:
        assert value is not None
        assert math.isfinite(value)
        if not meaning.codes and not meaning.bits:
            assert meaning.low <= value <= meaning.high
        else:
            assert QUANTITIES[quantity].low <= value <= QUANTITIES[quantity].high
    as_kept(Reading(NOW_MS, "bench", quantity, value, quality, "" if quality is Quality.GOOD else "x"))
    return quality is Quality.GOOD


LINES = st.text(st.sampled_from("VIMT=;.-+0123456789*xE_ \t,$"), max_size=40)


def line_of(profile: TextProfile, body: str) -> bytes:
    data = body.encode("utf-8", "surrogatepass")
    tail = {"none": b"", "xor": b"*%02X" % xor_of(data), "crc16": b"*%04X" % crc16(data)}[profile.checksum]
    return profile.start.encode("utf-8", "surrogatepass") + data + tail


@st.composite
def sound_lines(draw: st.DrawFn, profile: TextProfile) -> bytes:
    """A line whose form and checksum are right, with any numbers in it, or any text with a right checksum."""
    if draw(st.booleans()):
        return line_of(profile, draw(LINES))
    usual = st.integers(-500, 8000).map(lambda number: f"{number / 100:.2f}")
    odd = st.floats().map(repr) | st.decimals(allow_nan=False, places=2).map(str) | st.sampled_from(
        ["--", "", "-", ".", "1.", ".5", "+1", "-0", "999999999", "0" * 9, "1e5", "\u0661", " 1 "]
    )  # fmt: skip
    numbers = usual | usual | odd
    if profile.form == "pairs":
        pieces = [f"{field.where}{profile.assign}{draw(numbers)}" for field in profile.fields]
    else:
        whole = [columns for field in profile.fields if (columns := field.columns) is not None]
        count = profile.columns or max([1, *(1 + int(field.where) for field in profile.fields), *whole])
        fixed = {**profile.constants}
        for field in draw(st.permutations(profile.fields)) if profile.fields else ():
            fixed = {**field.only_where, **fixed}
        pieces = [fixed.get(at, draw(numbers)) for at in range(count)]
    return line_of(profile, profile.separator.join(pieces))


MAPS = [
    chain(packed(802, V=1264, V_SF=-2, A=-231, A_SF=-2)),
    chain(packed(160, N=2, DCA_SF=-1, DCV_SF=-1, module=[{"DCA": 50, "DCV": 300}, {"DCA": 51, "DCV": 300}])),
    chain(packed(103, A=100, A_SF=-1, DCV=480, DCV_SF=-1, TmpCab=300, Tmp_SF=-1, St=4)),
]
"""Maps as the Alliance's library packs them."""


@fuzzed(150)
@given(st.data())
def test_a_profile_is_told_as_wrong_or_gives_plausible_readings_of_whatever_comes(
    tmp_path: Path, data: st.DataObject
) -> None:
    file = tmp_path / "odd.toml"
    text, is_sound = data.draw(FILES)
    file.write_bytes(text)
    try:
        profile = load_profile(file)
    except ProfileError as error:
        problems = error.problems
        assert problems
        assert all(problem.text for problem in problems)
        assert not is_sound, problems
        event("refused")
        return
    event(f"{type(profile).__name__}, {'sound' if is_sound else 'changed'}")
    good = 0
    if isinstance(profile, TextProfile):
        judge = LineJudge(profile)
        meanings = {field.quantity: field.meaning for field in profile.fields}
        for line in data.draw(st.lists(sound_lines(profile) | st.binary(max_size=60), max_size=5)):
            try:
                found = judge.values(line)
            except BadFrame:
                continue
            for quantity, judged in found.items():
                good += check(quantity, judged.value, judged.quality, meanings[quantity])
    elif isinstance(profile, SunSpecProfile):
        words = {address: word for (_, address), word in data.draw(st.sampled_from(MAPS)).items()}
        link = Remembering(words)
        sunspec = SunSpecDevice(
            "bench", profile, link, 1, Cost(0.03, 0.002), 5.0, HEALTH(), SteppedClock(NOW_MS)
        )
        meanings = {point.quantity: point.meaning for point in profile.points}
        try:
            readings = sunspec.poll()
        except DeviceError as error:
            event(error.kind)
            return
        for reading in readings:
            good += check(reading.quantity, reading.value, reading.quality, meanings[reading.quantity])
    else:
        words = data.draw(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=40))
        link = Remembering({})
        device = RegisterDevice(
            "bench", profile, link, 1, Cost(0.03, 0.002), 5.0, HEALTH(), SteppedClock(NOW_MS)
        )
        asked = (range(each.address, each.address + each.count) for each in device.requests)
        link.registers = {at: words[at % len(words)] for places in asked for at in places}
        readings = device.poll()
        assert link.requests == len(device.requests) <= len(profile.points)
        meanings = {point.quantity: point.meaning for point in profile.points}
        for reading in readings:
            good += check(reading.quantity, reading.value, reading.quality, meanings[reading.quantity])
    event("good values" if good else "none good")


@pytest.mark.parametrize("checksum", ["none", "xor", "crc16"])
@fuzzed(60)
@given(st.data())
def test_any_stream_of_bytes_ends_in_lines_values_or_a_bad_frame(checksum: str, data: st.DataObject) -> None:
    pieces = data.draw(
        st.lists(st.binary(max_size=40) | st.sampled_from([b"\r\n", b"\n", b"x" * 600]), max_size=12)
    )
    stream = b"".join(pieces)
    whole, cut = LineSplitter(), LineSplitter()
    lines = list(whole.feed(stream))
    at_once = [line for piece in pieces for line in cut.feed(piece)]
    if max(map(len, stream.replace(b"\r", b"\n").split(b"\n")), default=0) <= 512:
        assert lines == at_once
    assert all(0 < len(line) <= 512 for line in (*lines, *at_once))


MOST_REQUESTS = 700
"""A poll's: a hundred models at the most, each a header and some more."""


@fuzzed(80)
@given(st.data())
def test_a_sunspec_map_whatever_its_words_gives_plausible_readings_or_an_error(data: st.DataObject) -> None:
    good = data.draw(st.sampled_from(MAPS))
    places = sorted(address for _, address in good)
    words = {address: word for (_, address), word in good.items()}
    odd = st.integers(0, 0xFFFF) | st.sampled_from(
        [0, 1, 2, 10, 50, 103, 160, 802, 0x8000, 0xFFFF, 0xFFF6, 300]
    )
    link = Remembering(words)
    profile = load_profile(SHIPPED / "sunspec.toml")
    assert isinstance(profile, SunSpecProfile)
    device = SunSpecDevice("bench", profile, link, 1, Cost(0.03, 0.002), 5.0, HEALTH(), SteppedClock(NOW_MS))
    for _ in range(3):
        for address in data.draw(st.lists(st.sampled_from(places), max_size=4)):
            words[address] = data.draw(odd)
        if data.draw(st.integers(0, 5)) == 0:
            words.pop(data.draw(st.sampled_from(places)), None)
        before = link.requests
        try:
            readings = device.poll()
        except DeviceError as error:
            event(error.kind)
        else:
            event("read")
            assert {reading.quantity for reading in readings} <= set(profile.quantities)
            for reading in readings:
                assert reading.quality is not Quality.GOOD or (
                    QUANTITIES[reading.quantity].low
                    <= (reading.value or 0.0)
                    <= QUANTITIES[reading.quantity].high
                )
                as_kept(reading)
        assert link.requests - before <= MOST_REQUESTS


HEAD_POINTS = """\
protocol = "sunspec"
about = ""
source = ""
[[points]]
quantity = "array_current_A"
unit = "A"
models = [103]
point = "ID"
[[points]]
quantity = "array_power_W"
unit = "W"
models = [103]
point = "PF"
"""


def test_a_point_in_a_models_head_takes_nothing_from_the_look_at_the_map(tmp_path: Path) -> None:
    """Found by the drawn profiles: the second register of the head was not read."""
    (tmp_path / "odd.toml").write_text(HEAD_POINTS, encoding="utf-8")
    profile = load_profile(tmp_path / "odd.toml")
    assert isinstance(profile, SunSpecProfile)
    link = Remembering({address: word for (_, address), word in MAPS[2].items()})
    device = SunSpecDevice("bench", profile, link, 1, Cost(0.03, 0.002), 5.0, HEALTH(), SteppedClock(NOW_MS))
    for _ in range(2):
        found = {reading.quantity: reading.value for reading in device.poll()}
        assert found["array_current_A"] == 103.0
