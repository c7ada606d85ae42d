"""Peers decode the same registers: pymodbus's own conversion of whole registers in both word orders, and the
standard library's struct of half ones, which pymodbus does not know."""

from __future__ import annotations

import math
import random
import struct
from typing import Any, get_args

import pytest
from pymodbus.client.mixin import ModbusClientMixin

from monitor.devices.words import REGISTERS, Encoding, WordOrder, number_from

PEER = ModbusClientMixin.DATATYPE
TYPES = {"u16": PEER.UINT16, "s16": PEER.INT16, "u32": PEER.UINT32, "s32": PEER.INT32, "f32": PEER.FLOAT32}
HALVES = {"u8hi": ("B", 0), "u8lo": ("B", 1), "s8hi": ("b", 0), "s8lo": ("b", 1)}
"""struct's letter, and the byte of a register as it is sent: the high one first."""

ORDERS: dict[str, Any] = {"high_first": "big", "low_first": "little"}


def test_every_encoding_has_its_peer() -> None:
    assert {*TYPES, *HALVES} == {*get_args(Encoding)}


@pytest.mark.parametrize("encoding", TYPES)
@pytest.mark.parametrize("order", get_args(WordOrder))
def test_the_peer_reads_the_same_number(encoding: Encoding, order: WordOrder) -> None:
    seed = 1125
    rng = random.Random(seed)
    for _ in range(1000):
        edges_and_more = (0, 0x7FFF, 0x8000, 0xFFFF, rng.getrandbits(16), rng.getrandbits(16))
        words = [rng.choice(edges_and_more) for _ in range(REGISTERS[encoding])]
        ours = number_from(words, encoding, order)
        theirs = ModbusClientMixin.convert_from_registers(words, TYPES[encoding], word_order=ORDERS[order])
        assert isinstance(theirs, int | float)
        if math.isnan(theirs):
            assert math.isnan(ours), (seed, words)
        elif encoding == "f32":
            # ours has the fewest digits that are the same single-precision number
            assert ours == pytest.approx(theirs, rel=2**-24, abs=2**-149), (seed, words)
        else:
            assert ours == theirs, (seed, words)


@pytest.mark.parametrize("encoding", HALVES)
@pytest.mark.parametrize("order", get_args(WordOrder))
def test_struct_reads_the_same_half(encoding: Encoding, order: WordOrder) -> None:
    letter, place = HALVES[encoding]
    for word in range(0x10000):
        (theirs,) = struct.unpack_from(f">{letter}", word.to_bytes(2, "big"), place)
        assert number_from([word], encoding, order) == theirs, word
