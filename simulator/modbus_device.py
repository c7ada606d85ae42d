"""The marsh-charger: a charge controller's registers over Modbus RTU (on a pty) and Modbus TCP, own frames.

Frames: MODBUS Application Protocol V1.1b3 and MODBUS over Serial Line V1.02. It only ever reads: every
function but 03 and 04 is answered with exception 01.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable
from random import Random

from simulator.faults import BYTE_KINDS, FOR_REGISTERS, Fault, spoil
from simulator.line import SerialEnd, character_s, frame_gap_s, wait_until
from simulator.meters import MeterSettings
from simulator.plant import Truth

READ_HOLDING, READ_INPUT = 3, 4
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
LARGEST_REQUEST = 24
PROBE_MISSING = 0x7FFF
STAGE_CODES = {0: 11, 1: 12, 2: 13, 3: 14, 4: 15}
FAULT_BITS = {
    "battery_over_voltage": 0,
    "battery_under_voltage": 1,
    "controller_over_temperature": 2,
    "array_over_voltage": 4,
    "load_disconnected": 6,
    "probe_missing": 7,
    "battery_over_temperature": 9,
    "charge_over_current": 10,
    "load_over_current": 12,
}
BITS_A_CHARACTER = 11  # start, eight data, parity or second stop, stop
Registers = dict[int, int]


def crc16(data: bytes) -> int:
    """The CRC of Modbus over Serial Line V1.02 (start 0xFFFF, polynomial 0xA001)."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def _crc_entry(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


CRC_TABLE = tuple(_crc_entry(byte) for byte in range(256))


def with_crc(body: bytes) -> bytes:
    """A frame: body and its CRC, low byte first."""
    return body + struct.pack("<H", crc16(body))


def unsigned(value: float, scale: float) -> int:
    """A u16 register, held at its ends."""
    return max(0, min(0xFFFF, round(value / scale)))


def signed(value: float, scale: float) -> int:
    """An s16 register in two's complement, held at its ends (0x7FFF is kept for 'not there')."""
    return max(-0x8000, min(0x7FFE, round(value / scale))) & 0xFFFF


def input_registers(truth: Truth, meters: MeterSettings) -> Registers:
    """What function 04 reads: addresses 700 to 708 and 712 to 715."""
    bank_V = meters.voltage_V(truth.battery_voltage_V)
    charge_A = meters.current_A(truth.charge_current_A)
    array_V = meters.voltage_V(truth.array_voltage_V)
    array_A = meters.current_A(truth.array_current_A)
    power = max(0, round(array_V * array_A / 0.01))
    float_high, float_low = struct.unpack(">HH", struct.pack(">f", bank_V * charge_A))
    probe = PROBE_MISSING
    if "probe_missing" not in truth.faults:
        probe = signed(meters.temperature_C(truth.probe_temperature_C), 0.1)
    return {
        700: unsigned(bank_V, 0.01),
        701: signed(charge_A, 0.01),
        702: unsigned(array_V, 0.01),
        703: unsigned(array_A, 0.01),
        704: power >> 16 & 0xFFFF,
        705: power & 0xFFFF,
        706: unsigned(metered_A(truth, meters), 0.01),
        707: probe,
        708: signed(meters.temperature_C(truth.controller_temperature_C), 0.1),
        712: float_low,
        713: float_high,
        714: STAGE_CODES[truth.charge_stage],
        715: sum(1 << FAULT_BITS[name] for name in truth.faults),
    }


def holding_registers(truth: Truth, meters: MeterSettings, compensation_V_per_C: float) -> Registers:
    """What function 03 reads: addresses 40 to 44."""
    power = round(meters.voltage_V(truth.battery_voltage_V) * metered_A(truth, meters) / 0.1)
    high, low = struct.unpack(">HH", struct.pack(">i", power))
    return {
        40: unsigned(truth.absorption_set_V, 0.01),
        41: unsigned(truth.float_set_V, 0.01),
        42: signed(compensation_V_per_C * 1000, 1),
        43: low,
        44: high,
    }


def metered_A(truth: Truth, meters: MeterSettings) -> float:
    """The load output's current as shown; a controller without load sees exactly nothing."""
    return meters.current_A(truth.load_current_A) if truth.load_current_A > 0 else 0.0


def absurd(registers: Registers, rng: Random) -> Registers:
    """The same addresses with values no supply has."""
    word = rng.choice((0xFFFF, 0x8000, 0x7F7F))
    return dict.fromkeys(registers, word)


def answer(pdu: bytes, read: Callable[[int], Registers], largest: int = LARGEST_REQUEST) -> bytes:
    """The reply PDU to a request PDU; `read` gives the registers of function 03 or 04, `largest` at once."""
    function = pdu[0]
    if function not in (READ_HOLDING, READ_INPUT):
        return bytes([function | 0x80, ILLEGAL_FUNCTION])
    if len(pdu) != 5:
        return bytes([function | 0x80, ILLEGAL_VALUE])
    address, count = struct.unpack(">HH", pdu[1:])
    if not 1 <= count <= largest:
        return bytes([function | 0x80, ILLEGAL_VALUE])
    registers = read(function)
    try:
        words = [registers[place] for place in range(address, address + count)]
    except KeyError:
        return bytes([function | 0x80, ILLEGAL_ADDRESS])
    return struct.pack(f">BB{count}H", function, 2 * count, *words)


def foreign(kind: str, unit: int, reply: bytes, rng: Random, code: int) -> tuple[int, bytes]:
    """Unit and PDU of a sound reply that answers something else."""
    function, words = reply[0], reply[2:]
    if kind == "exception":
        return unit, bytes([function & 0x7F | 0x80, code])
    if kind == "foreign_unit":
        return unit % 247 + 1, reply
    if function & 0x80:
        return unit, reply
    if kind == "foreign_function":
        return unit, bytes([READ_HOLDING if function == READ_INPUT else READ_INPUT]) + reply[1:]
    longer = len(words) < 4 or rng.random() < 0.5
    words = words + rng.randbytes(2) if longer else words[:-2]
    return unit, bytes([function, len(words)]) + words


class RegisterDevice:
    """The charger's own mind: registers from the plant, one fault at a time, silence after a restart."""

    kind = "marsh-charger"
    largest = LARGEST_REQUEST

    def __init__(
        self,
        unit: int,
        meters: MeterSettings,
        compensation_V_per_C: float,
        look: Callable[[], Truth],
        seed: int,
    ) -> None:
        self.unit = unit
        self.meters = meters
        self.compensation_V_per_C = compensation_V_per_C
        self.fault = Fault()
        self.kinds = FOR_REGISTERS
        self.silent_until_s = 0.0
        self.functions: dict[int, int] = {}
        self.rng = Random(f"{seed}/charger")
        self._look = look
        self._stuck: Truth | None = None

    def order(self, fault: Fault) -> None:
        """Take a fault; `stuck` holds the values of this moment."""
        self._stuck = self._look() if fault.kind == "stuck" else None
        self.fault = fault

    def silent(self) -> bool:
        """Whether the device is still starting, or has no supply."""
        return time.monotonic() < self.silent_until_s or not self._look().powered

    def reply(self, pdu: bytes, kind: str) -> bytes:
        """The reply PDU, with the values of a fault of that kind ('none' for a sound one)."""
        self.functions[pdu[0]] = self.functions.get(pdu[0], 0) + 1
        truth = self._stuck if kind == "stuck" and self._stuck is not None else self._look()

        def read(function: int) -> Registers:
            registers = self.registers(function, truth)
            return absurd(registers, self.rng) if kind == "absurd" else registers

        return answer(pdu, read, self.largest)

    def registers(self, function: int, truth: Truth) -> Registers:
        """What function 03 or 04 reads now."""
        if function == READ_INPUT:
            return input_registers(truth, self.meters)
        return holding_registers(truth, self.meters, self.compensation_V_per_C)


class RtuServer:
    """One RegisterDevice on a serial line, at the wire's pace. `serve` runs in a thread of its own."""

    def __init__(self, device: RegisterDevice, end: SerialEnd, baud: int, turnaround_s: float) -> None:
        self.device, self.end = device, end
        self.character_s = character_s(baud, BITS_A_CHARACTER)
        self.gap_s = frame_gap_s(baud)
        self.turnaround_s = turnaround_s
        self.frames = 0
        self.early = 0  # frames whose first byte came before t3.5 after our last reply
        self._quiet_from_s = 0.0

    def serve_once(self, timeout_s: float) -> None:
        """Take at most one frame and answer it, waiting at most timeout_s for its first byte."""
        if not self.end.plugged:
            time.sleep(timeout_s)
            return
        data = self.end.arrived(timeout_s)
        if not data:
            return
        began = time.monotonic()
        if began < self._quiet_from_s:
            self.early += 1
        ends = began + len(data) * self.character_s
        while more := self.end.arrived(ends + self.gap_s - time.monotonic()):
            ends = max(ends, time.monotonic()) + len(more) * self.character_s
            data += more
        self.frames += 1
        if (
            len(data) >= 4
            and crc16(data[:-2]) == struct.unpack("<H", data[-2:])[0]
            and data[0] == self.device.unit
        ):
            self._answer(data, ends)

    def _answer(self, request: bytes, ended_s: float) -> None:
        device = self.device
        if device.silent():
            return
        fault = device.fault
        kind = fault.kind if fault.strikes(device.rng) else "none"
        if kind == "echo":
            self._release(request, ended_s)
        pdu = device.reply(request[1:-2], kind)
        unit = device.unit
        if kind in ("foreign_length", "foreign_function", "foreign_unit", "exception"):
            unit, pdu = foreign(kind, unit, pdu, device.rng, fault.code)
        frame = with_crc(bytes([unit]) + pdu)
        if kind in BYTE_KINDS:
            frame = spoil(kind, frame, device.rng)
        delay_s = fault.delay_s if kind in ("late", "slow") else 0.0
        if kind != "silence":
            starts = ended_s + self.gap_s + self.turnaround_s + delay_s
            self._release(frame, starts + len(frame) * self.character_s)

    def _release(self, data: bytes, at_s: float) -> None:
        wait_until(at_s)
        self.end.send(data)
        self._quiet_from_s = at_s + self.gap_s
