"""Registers become numbers, numbers become values with a quality."""

from __future__ import annotations

import math
import random
import struct

import pytest

from monitor.devices.words import REGISTERS, Judged, Meaning, faults_from, judge, number_from, sentinel_for
from monitor.quantities import Fault, Stage
from monitor.records import Quality


@pytest.mark.parametrize(
    ("words", "encoding", "order", "number"),
    [
        ((0x0000,), "u16", "high_first", 0),
        ((0xFFFF,), "u16", "high_first", 65535),
        ((0x7FFF,), "s16", "high_first", 32767),
        ((0x8000,), "s16", "high_first", -32768),
        ((0xFFFF,), "s16", "high_first", -1),
        ((0x0001, 0x0000), "u32", "high_first", 65536),
        ((0x0001, 0x0000), "u32", "low_first", 1),
        ((0xFFFF, 0xFFFE), "s32", "high_first", -2),
        ((0xFFFE, 0xFFFF), "s32", "low_first", -2),
        ((0x8000, 0x0000), "s32", "high_first", -(2**31)),
        ((0x3F80, 0x0000), "f32", "high_first", 1.0),
        ((0x0000, 0x3F80), "f32", "low_first", 1.0),
        ((0xC000, 0x0000), "f32", "high_first", -2.0),
        ((0x41E9, 0x999A), "f32", "high_first", 29.2),
        ((0xFE05,), "u8hi", "high_first", 254),
        ((0xFE05,), "s8hi", "high_first", -2),
        ((0x05FE,), "u8lo", "high_first", 254),
        ((0x05FE,), "s8lo", "high_first", -2),
    ],
)
def test_a_pattern_becomes_its_number(words, encoding, order, number) -> None:
    """By hand from two's complement and IEEE 754 binary32 (sign, 8 bits of exponent, 23 of fraction)."""
    assert number_from(words, encoding, order) == number


CODES = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}
HALVES = {"u8hi": ">Bx", "s8hi": ">bx", "u8lo": ">xB", "s8lo": ">xb"}


def test_the_laws_below_know_every_encoding() -> None:
    assert set(CODES) | set(HALVES) == set(REGISTERS)


@pytest.mark.parametrize("encoding", HALVES)
def test_half_a_register_does_not_see_the_other_half(encoding) -> None:
    """Law: what Python's own struct finds in one byte, number_from finds, whatever the other one holds."""
    for word in range(0, 65536, 7):
        assert (number_from((word,), encoding),) == struct.unpack(HALVES[encoding], word.to_bytes(2, "big"))


@pytest.mark.parametrize("encoding", CODES)
@pytest.mark.parametrize("order", ["high_first", "low_first"])
def test_every_number_survives_the_way_through_registers(encoding, order) -> None:
    """Law: what Python's own struct packs, number_from gives back."""
    seed = 9131
    rng = random.Random(seed)
    code = CODES[encoding]
    for _ in range(500):
        packed = rng.randbytes(2 * REGISTERS[encoding])
        words = [int.from_bytes(packed[at : at + 2], "big") for at in range(0, len(packed), 2)]
        number = number_from(words if order == "high_first" else words[::-1], encoding, order)
        if math.isnan(number):
            assert math.isnan(struct.unpack(code, packed)[0]), (seed, packed.hex())
        else:
            assert struct.pack(code, number) == packed, (seed, packed.hex())


def test_wrong_registers_are_refused() -> None:
    with pytest.raises(ValueError, match="u32 takes 2 registers, 1 came"):
        number_from((1,), "u32")
    with pytest.raises(ValueError, match=r"0\.\.65535"):
        number_from((65536,), "u16")


@pytest.mark.parametrize(
    ("mark", "encoding", "number"),
    [
        (0x8000, "s16", -32768),
        (-32768, "s16", -32768),
        (0x7FFF, "s16", 32767),
        (0xFFFF, "u16", 65535),
        (0x80000000, "s32", -(2**31)),
        (0xFFFFFFFF, "u32", 2**32 - 1),
        (-9999, "f32", -9999.0),
        (0.1, "f32", 0.1),
    ],
)
def test_a_mark_of_no_value_may_be_written_as_pattern_or_number(mark, encoding, number) -> None:
    assert sentinel_for(mark, encoding) == number


@pytest.mark.parametrize(("mark", "encoding"), [(-1, "u16"), (0x10000, "s16"), (1.5, "u16"), (2**32, "u32")])
def test_a_mark_that_does_not_fit_is_refused(mark, encoding) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        sentinel_for(mark, encoding)


@pytest.mark.parametrize(
    ("raw", "meaning", "value"),
    [
        (1264, Meaning(scale=0.01), 12.64),
        (1451, Meaning(scale=0.01), 14.51),
        (-231, Meaning(scale=0.01), -2.31),
        (640, Meaning(offset=-40, scale=0.1), 24.0),
        (12640, Meaning(factor=0.001), 12.64),
        (29115, Meaning(scale=0.01, shift=-273.15), 18.0),
    ],
)
def test_scale_offset_and_unit_give_a_value_without_binary_dust(raw, meaning, value) -> None:
    assert judge(raw, meaning) == Judged(value)


@pytest.mark.parametrize("raw", [math.nan, math.inf, -math.inf])
def test_a_float_that_is_no_number_is_missing(raw) -> None:
    assert judge(raw, Meaning()) == Judged(None, Quality.MISSING, "the device sent no number")


def test_the_mark_of_no_value_is_missing_not_a_temperature() -> None:
    judged = judge(0x7FFF, Meaning(scale=0.1, invalid=(0x7FFF,), low=-50, high=90))
    assert judged == Judged(None, Quality.MISSING, "the device says not available")


def test_an_implausible_value_is_kept_and_says_why() -> None:
    judged = judge(9999, Meaning(scale=0.01, low=0, high=80))
    assert judged == Judged(99.99, Quality.SUSPECT, "outside the plausible 0 to 80")


def test_codes_become_stages_and_an_unknown_code_is_missing() -> None:
    meaning = Meaning(codes={12: Stage.BULK, 14: Stage.FLOAT}, low=0, high=4)
    assert judge(14, meaning) == Judged(3.0)
    assert judge(99, meaning) == Judged(None, Quality.MISSING, "state code 99 is not in the profile")


def test_bits_become_faults_and_an_unlisted_bit_is_not_lost() -> None:
    bits = {0: Fault.BATTERY_OVER_VOLTAGE, 9: Fault.BATTERY_OVER_TEMPERATURE}
    assert faults_from(0, bits) == Fault(0)
    assert faults_from(0b10_0000_0001, bits) == Fault.BATTERY_OVER_VOLTAGE | Fault.BATTERY_OVER_TEMPERATURE
    assert judge(1 << 3, Meaning(bits=bits)) == Judged(float(Fault.OTHER))
