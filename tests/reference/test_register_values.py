"""Register contents whose meaning is published come out as published."""

from __future__ import annotations

import pytest

from monitor.devices.words import Encoding, Judged, Meaning, judge, number_from, sentinel_for
from monitor.records import Quality


def test_the_registers_of_the_modbus_specification_s_examples() -> None:
    """MODBUS Application Protocol V1.1b3, 6.3 and 6.4, examples."""
    read_holding = bytes.fromhex("022B 0000 0064")
    words = [int.from_bytes(read_holding[at : at + 2], "big") for at in (0, 2, 4)]
    assert [number_from([word], "u16") for word in words] == [555, 0, 100]
    assert number_from([0x000A], "u16") == 10


def test_the_sunspec_marker_is_one_32_bit_number_high_word_first() -> None:
    """SunSpec Alliance model files, "SunS" = 0x53756E53 = registers 0x5375 0x6E53."""
    assert number_from([0x5375, 0x6E53], "u32", "high_first") == 0x53756E53
    assert (0x53756E53).to_bytes(4, "big") == b"SunS"


@pytest.mark.parametrize(("raw", "power_of_ten", "value"), [(1825, -1, 182.5), (1264, -2, 12.64)])
def test_a_raw_value_times_its_power_of_ten(raw: int, power_of_ten: int, value: float) -> None:
    """SunSpec Alliance, model files: value = raw x 10^SF; the examples are computed."""
    assert judge(raw, Meaning(scale=10.0**power_of_ten)) == Judged(value)


@pytest.mark.parametrize(
    ("encoding", "words"),
    [
        ("s16", [0x8000]),
        ("u16", [0xFFFF]),
        ("s32", [0x8000, 0x0000]),
        ("u32", [0xFFFF, 0xFFFF]),
    ],
)
def test_not_implemented_is_missing(encoding: Encoding, words: list[int]) -> None:
    """The not-implemented patterns of the SunSpec Alliance's model files."""
    pattern = words[0] if len(words) == 1 else words[0] << 16 | words[1]
    meaning = Meaning(scale=0.1, invalid=(sentinel_for(pattern, encoding),))
    assert judge(number_from(words, encoding), meaning).quality is Quality.MISSING


def test_a_float_that_is_not_implemented_is_missing_without_a_mark() -> None:
    """SunSpec Alliance, model files: float32 NaN 0x7FC00000."""
    assert judge(number_from([0x7FC0, 0x0000], "f32"), Meaning()).quality is Quality.MISSING
