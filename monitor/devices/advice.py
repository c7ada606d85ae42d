"""What a person is told about a Modbus line: what was heard, where, and what to do about it.

`where` names the line and, where it is known, the unit.
"""

from __future__ import annotations


def silent(where: str, waited_s: float) -> str:
    return (
        f"{where}: no answer within {waited_s:.2g} s; check that the device has power, its unit number "
        "and the line's speed"
    )


def damaged(where: str, characters: int) -> str:
    return (
        f"{where}: a damaged answer of {characters} bytes; it is asked again. If this stays, check speed "
        "and parity, cable, A/B polarity and termination"
    )


def foreign(where: str, whose: str) -> str:
    return (
        f"{where}: {whose} came instead of the answer; it is asked again. If this stays, look for two "
        "devices with one number or a second program on the line"
    )


def unmatched(where: str) -> str:
    return (
        f"{where}: no answer could be matched to its request; if this stays, look for a second program "
        "or device that asks on the same line"
    )


def only_echo(where: str, waited_s: float) -> str:
    return (
        f"{where}: only our own request came back within {waited_s:.2g} s. The adapter hears itself: "
        "switch its local echo off (or its receiver while it sends), and check the device behind it"
    )


def never_silent(where: str) -> str:
    return (
        f"{where}: the line never falls silent; look for noise, a wrong speed or another program or "
        "device that asks on it"
    )


def slow(where: str, configured_s: float, given_s: float) -> str:
    return (
        f"{where}: answers later than the time-out of {configured_s:g} s; it is now given {given_s:.2g} "
        "s. Set a longer time-out for it in the site file"
    )


def echo(where: str) -> str:
    return (
        f"{where}: the adapter sends our requests back; they are left out. Its local echo can be switched off"
    )


def faster_than_baud(where: str, baud: int) -> str:
    return (
        f"{where}: answers come faster than {baud} bit/s allow; the port is no real serial line, or the "
        "speed in the site file is too low. Late answers are harder to tell apart here"
    )


def no_connection(where: str) -> str:
    return f"{where}: no connection; check that the device has power and network, its address and port"


def connection_lost(where: str, why: str) -> str:
    return (
        f"{where}: the connection broke ({why}); it is made anew with the next question. If this stays, see "
        "whether the device bears only one client at a time"
    )


def silent_network(where: str, waited_s: float) -> str:
    return (
        f"{where}: connected, but no answer within {waited_s:.2g} s; check the unit number, and behind a "
        "gateway the line and its speed"
    )


def unusable(where: str, characters: int) -> str:
    return (
        f"{where}: {characters} bytes came within the time-out, but no usable answer; check that the "
        "port speaks Modbus TCP (not RTU over TCP) and the unit number"
    )
