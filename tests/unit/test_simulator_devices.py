"""What the simulated devices say: registers, frames and lines against words written by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from random import Random

import pytest

from simulator.faults import FOR_REGISTERS, FOR_TEXT, FaultError, ordered, spoil
from simulator.meters import MeterSettings
from simulator.modbus_device import (
    RegisterDevice,
    absurd,
    answer,
    crc16,
    foreign,
    holding_registers,
    input_registers,
    with_crc,
)
from simulator.plant import Truth
from simulator.text_device import body_of, line_of

TRUE_METERS = MeterSettings(1.0, 0.01, 1.0, 0.0, 0.01, 0.0, 0.1)
TRUTH = Truth(
    time_ms=0,
    battery_voltage_V=12.64,
    battery_current_A=-2.31,
    charge_current_A=-0.05,
    load_current_A=2.26,
    unseen_load_A=0.0,
    battery_temperature_C=-3.4,
    controller_temperature_C=41.5,
    array_voltage_V=18.2,
    array_current_A=24.75,
    charge_stage=2,
    midpoint_voltage_V=6.32,
    state_of_charge=0.8,
    capacity_Ah=450,
    removed_Ah=90,
    irradiance_W_m2=0,
    air_temperature_C=0,
    absorption_set_V=14.8,
    float_set_V=13.5,
    load_on=True,
    faults=(),
)


def test_input_registers_are_packed_as_the_map_says():
    assert input_registers(TRUTH, TRUE_METERS) == {
        700: 1264,  # 12.64 V in hundredths
        701: 0xFFFB,  # -0.05 A: -5 in two's complement
        702: 1820,
        703: 2475,
        704: 0,  # 18.20 V x 24.75 A = 450.45 W = 45045 hundredths, high word first
        705: 45045,
        706: 226,
        707: 0xFFDE,  # -3.4 °C: -34
        708: 415,
        712: 0xCAC1,  # 12.64 V x -0.05 A = -0.632 W: IEEE 754 BF21 CAC1, low word first
        713: 0xBF21,
        714: 13,
        715: 0,
    }


def test_a_large_power_needs_both_words():
    bright = replace(TRUTH, array_voltage_V=90.0, array_current_A=20.0)
    registers = input_registers(bright, TRUE_METERS)
    assert (registers[704], registers[705]) == (2, 48928)  # 1800.00 W = 180000 = 2 x 65536 + 48928


def test_holding_registers_are_packed_as_the_map_says():
    # 12.64 V x 2.26 A = 28.6 W = 286 tenths = 0000 011E, low word first
    assert holding_registers(TRUTH, TRUE_METERS, -0.030) == {
        40: 1480,
        41: 1350,
        42: 0xFFE2,
        43: 0x011E,
        44: 0x0000,
    }


def test_faults_and_a_missing_probe():
    registers = input_registers(replace(TRUTH, faults=("probe_missing", "load_disconnected")), TRUE_METERS)
    assert registers[707] == 0x7FFF
    assert registers[715] == 0b1100_0000


@pytest.mark.parametrize(("stage", "code"), [(0, 11), (1, 12), (2, 13), (3, 14), (4, 15)])
def test_a_stage_stands_in_its_register_as_the_maps_code(stage, code):
    assert input_registers(replace(TRUTH, charge_stage=stage), TRUE_METERS)[714] == code


def test_a_meter_rounds_scales_and_shifts():
    coarse = MeterSettings(1.01, 0.1, 0.98, 0.05, 0.1, 0.5, 1.0)
    assert coarse.voltage_V(12.64) == pytest.approx(12.8)  # 12.766
    assert coarse.current_A(-2.31) == pytest.approx(-2.2)  # -2.214
    assert coarse.temperature_C(-3.4) == pytest.approx(-3.0)  # -2.9
    registers = input_registers(TRUTH, coarse)
    assert registers[700] == 1280


REGISTERS = {address: address for address in (*range(700, 709), *range(712, 716))}


@pytest.mark.parametrize(
    ("request_hex", "reply_hex"),
    [
        ("04 02BC 0002", "04 04 02BC 02BD"),
        ("04 02C5 0001", "84 02"),  # 709 does not exist
        ("04 02C4 0005", "84 02"),  # 708 to 712 touches the gap
        ("04 02BB 0002", "84 02"),
        ("04 02BC 0019", "84 03"),  # 25 registers are one too many
        ("04 02BC 0000", "84 03"),
        ("04 02BC 00", "84 03"),
        ("06 0028 0001", "86 01"),  # write single register
        ("10 0028 0001 02 0001", "90 01"),  # write multiple registers
        ("2B 0E 01 00", "AB 01"),
    ],
)
def test_requests_get_their_replies(request_hex, reply_hex):
    assert answer(bytes.fromhex(request_hex), lambda function: REGISTERS) == bytes.fromhex(reply_hex)


def test_foreign_replies_are_sound_frames_that_answer_something_else():
    reply = bytes.fromhex("04 04 02BC 02BD")
    rng = Random(3)
    for _ in range(50):
        unit, pdu = foreign("foreign_length", 1, reply, rng, 4)
        assert unit == 1
        assert pdu[0] == 4
        assert len(pdu) - 2 == pdu[1] != 4
    assert foreign("foreign_function", 1, reply, rng, 4) == (1, bytes.fromhex("03 04 02BC 02BD"))
    unit, pdu = foreign("foreign_unit", 247, reply, rng, 4)
    assert 1 <= unit <= 246
    assert pdu == reply
    assert foreign("exception", 1, reply, rng, 6) == (1, bytes.fromhex("84 06"))


@pytest.mark.parametrize("kind", ["bit_flip", "drop_byte", "truncate"])
def test_damage_is_always_damage(kind):
    frame = with_crc(bytes.fromhex("01 04 04 02BC 02BD"))
    rng = Random(5)
    for _ in range(300):
        hurt = spoil(kind, frame, rng)
        sound = len(hurt) >= 4 and crc16(hurt[:-2]) == int.from_bytes(hurt[-2:], "little")
        assert not sound, f"seed 5, {hurt.hex(' ')}"


def test_noise_stands_around_an_unhurt_frame():
    frame = with_crc(bytes.fromhex("01 04 02 02BC"))
    rng = Random(7)
    for _ in range(100):
        noisy = spoil("noise", frame, rng)
        assert frame in noisy
        assert not noisy.startswith(frame) or len(noisy) > len(frame)


def test_a_fault_hits_its_share_and_ends_after_its_count():
    fault = ordered({"kind": "silence", "rate": 0.25, "for": 50}, FOR_REGISTERS)
    rng = Random(11)
    hits = [fault.strikes(rng) for _ in range(2000)]
    assert sum(hits) == fault.hits == 50
    last = max(place for place, hit in enumerate(hits) if hit)
    assert 100 < last < 400, "seed 11"  # 50 hits at a quarter take about 200 replies


@pytest.mark.parametrize(
    ("order", "told"),
    [
        ({"kind": "fire"}, "must be one of none, bit_flip"),
        ({"kind": "late", "rate": 2}, "`rate` must be a number from 0 to 1"),
        ({"kind": "late", "for": 0}, "`for` must be a whole number from 1"),
        ({"kind": "late", "wait": 1}, "fault takes no wait"),
        ({"kind": "echo"}, "for this device"),
    ],
)
def test_a_wrong_order_is_refused_with_what_is_possible(order, told):
    with pytest.raises(FaultError, match=re.escape(told)):
        ordered(order, FOR_TEXT)


def test_stuck_values_stand_still_and_absurd_ones_are_absurd():
    now = [TRUTH]
    device = RegisterDevice(1, TRUE_METERS, -0.03, lambda: now[0], seed=1)
    request = bytes.fromhex("04 02BC 0001")
    device.order(ordered({"kind": "stuck"}, FOR_REGISTERS))
    now[0] = replace(TRUTH, battery_voltage_V=13.0)
    assert device.reply(request, "stuck") == bytes.fromhex("04 02 04F0")
    assert device.reply(request, "none") == bytes.fromhex("04 02 0514")
    assert set(absurd({700: 1264}, Random(1)).values()) <= {0xFFFF, 0x8000, 0x7F7F}


def test_a_text_line_is_written_as_agreed():
    # exclusive or of the characters computed apart from the project: 2B
    warm = replace(TRUTH, battery_temperature_C=18.4)
    assert body_of(warm, TRUE_METERS) == "V=12.64;I=-2.31;M=6.32;T=18.4"
    assert line_of(body_of(warm, TRUE_METERS)) == b"V=12.64;I=-2.31;M=6.32;T=18.4*2B\r\n"
    missing = replace(warm, faults=("probe_missing",), battery_current_A=-0.001)
    assert body_of(missing, TRUE_METERS) == "V=12.64;I=0.00;M=6.32;T=--"
