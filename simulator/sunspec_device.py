"""The charger with a SunSpec map in place of its own: marker, common model, MPPT inputs, battery, end.

Packed by hand from the SunSpec Alliance's model files: number, length, then the points in order, high word
first. A model that no standard knows stands in the chain, as makers' own ones do; the second of two inputs is
not connected and marked 'not implemented', as are most points of the battery.
"""

from __future__ import annotations

import struct

from simulator.meters import MeterSettings
from simulator.modbus_device import READ_HOLDING, RegisterDevice, Registers, signed, unsigned
from simulator.plant import Truth

BASE = 40000
MOST_REGISTERS = 125
NO_U16, NO_S16 = 0xFFFF, 0x8000
NO_U32 = [0xFFFF, 0xFFFF]
MPPT, SLEEPING = 4, 2  # operating states of an input
DISCHARGING, CHARGING, HOLDING = 3, 4, 6  # charge status of a battery
AT_REST_A = 0.05
LEAD_ACID, CONNECTED = 1, 3
OVER_TEMPERATURE, OVER_VOLTAGE, UNDER_VOLTAGE = 1, 9, 11  # bits of the battery's first event field
INPUT_OVER_VOLTAGE, OVER_TEMP = 1, 7  # bits of the inputs' event field


def factor(exponent: int) -> int:
    """A scale factor: a signed power of ten."""
    return exponent & 0xFFFF


def string(text: str, registers: int) -> list[int]:
    """Text in so many registers, filled up with NUL."""
    return list(struct.unpack(f">{registers}H", text.encode("ascii").ljust(2 * registers, b"\0")))


def model(number: int, words: list[int]) -> list[int]:
    """A model with its header."""
    return [number, len(words), *words]


def common(unit: int) -> list[int]:
    """Model 1: maker, model, options, version, serial number, unit, pad."""
    texts = (("Nightbank demo", 16), ("Marsh charger", 16), ("", 8), ("1.0", 8), ("0001", 16))
    return model(1, [word for text, registers in texts for word in string(text, registers)] + [unit, 0x8000])


def inputs(truth: Truth, meters: MeterSettings) -> list[int]:
    """Model 160 with two inputs, the second without anything."""
    volts, amps = meters.voltage_V(truth.array_voltage_V), meters.current_A(truth.array_current_A)
    events = sum(
        1 << bit
        for name, bit in (
            ("array_over_voltage", INPUT_OVER_VOLTAGE),
            ("controller_over_temperature", OVER_TEMP),
        )
        if name in truth.faults
    )
    warm = signed(meters.temperature_C(truth.controller_temperature_C), 1)
    state = MPPT if truth.charge_stage else SLEEPING
    first = [
        *(1, *string("array", 8)),
        *(unsigned(amps, 0.01), unsigned(volts, 0.01), unsigned(volts * amps, 0.1)),
        *(0, 0, *NO_U32, warm, state, 0, 0),
    ]
    second = [*(2, *string("", 8)), *(NO_U16, NO_U16, NO_U16), *(0, 0, *NO_U32, NO_S16, NO_U16, *NO_U32)]
    head = [factor(-2), factor(-2), factor(-1), NO_S16, events >> 16, events & 0xFFFF, 2, NO_U16]
    return model(160, head + first + second)


def battery(truth: Truth, meters: MeterSettings) -> list[int]:
    """Model 802; its current counts out of the bank."""
    amps = meters.current_A(truth.battery_current_A)
    status = HOLDING if abs(amps) < AT_REST_A else CHARGING if amps > 0 else DISCHARGING
    volts = meters.voltage_V(truth.battery_voltage_V)
    events = sum(
        1 << bit
        for name, bit in (
            ("battery_over_temperature", OVER_TEMPERATURE),
            ("battery_over_voltage", OVER_VOLTAGE),
            ("battery_under_voltage", UNDER_VOLTAGE),
        )
        if name in truth.faults
    )
    power = signed(-volts * amps, 1)
    return model(
        802,
        [
            *(unsigned(truth.capacity_Ah, 1), unsigned(truth.capacity_Ah * 12, 10), 60, 200, NO_U16),
            *(NO_U16, NO_U16, NO_U16, NO_U16, unsigned(100 * truth.state_of_charge, 0.1), NO_U16, NO_U16),
            *(*NO_U32, status, 1, NO_U16, NO_U16, 0, LEAD_ACID, CONNECTED, NO_U16, *NO_U32),
            *(events >> 16, events & 0xFFFF, 0, 0, 0, 0, 0, 0),
            *(unsigned(volts, 0.01), NO_U16, NO_U16),
            *(NO_U16, NO_U16, NO_U16, NO_U16, NO_U16, NO_U16, NO_U16),
            *(signed(-amps, 0.01), NO_U16, NO_U16, power, NO_U16, NO_S16, 0, 0),
            *(factor(0), factor(1), factor(1), NO_S16, factor(-1), NO_S16, NO_S16),
            *(factor(-2), NO_S16, factor(-2), NO_S16, factor(0)),
        ],
    )


def sunspec_registers(truth: Truth, meters: MeterSettings, unit: int) -> Registers:
    """The whole map by address."""
    words = [
        *string("SunS", 2),
        *common(unit),
        *model(65001, [7] * 9),
        *inputs(truth, meters),
        *battery(truth, meters),
        *(0xFFFF, 0),
    ]
    return {BASE + at: word for at, word in enumerate(words)}


class SunSpecDevice(RegisterDevice):
    """The charger as it answers with that map."""

    kind = "sunspec"
    largest = MOST_REGISTERS

    def registers(self, function: int, truth: Truth) -> Registers:
        return sunspec_registers(truth, self.meters, self.unit) if function == READ_HOLDING else {}
