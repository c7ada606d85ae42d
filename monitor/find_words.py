"""What `nightbank find` tells of a line: sentences, and the table that a site file has for a device."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from monitor.devices.finding import Answering, Heard
from monitor.devices.overheard import Noise, TextHeard
from monitor.devices.profile import TextProfile
from monitor.devices.profile_file import SHIPPED, load_profile, shipped_profiles
from monitor.devices.sunspec.models import definition
from monitor.devices.textline import LineJudge
from monitor.errors import BadFrame

NOBODY = (
    "is the device on? Some need their own supply for this socket",
    "are A and B (D+ and D-) the right way round? To swap them harms nothing on RS-485",
    "is it the right kind of adapter? RS-485, RS-232 and logic level (3.3 or 5 V) do not go together; the "
    "wrong one can be damaged",
    "do adapter and device have a common ground?",
    "which unit number and speed does the device's own menu or label show? `--units 1-247` tries all numbers",
)
"""What to look at where nobody answers on a serial line."""

NO_MODBUS = (
    "is Modbus TCP switched on in the device's own settings?",
    "which unit number does it show? `--units 1-247` tries all numbers",
    "does another program hold its only connection?",
)


def nobody(line: str, about: str) -> dict[str, Any]:
    """What is told of a line as long as nobody has answered on it."""
    return {"line": line, "about": about, "state": "nobody", "says": [], "look_at": [], "devices": []}


def line_words(heard: Heard) -> Iterator[str]:
    """What was noticed on the line itself, whoever answered."""
    if heard.echo:
        yield "The adapter sends our own questions back; its local echo can be switched off."
    if heard.garbled and not heard.units:
        where = ", ".join(sorted(heard.garbled))
        yield f"Something damaged came back at {where}: speed, parity, A and B, noise?"
    if heard.gateway:
        yield "A gateway answers that it does not reach some of the numbers asked for."
    if heard.any_unit:
        yield "It answers under every number, so the number does not matter, or a gateway answers for others."


def device(answering: Answering, where: str, keys: dict[str, Any]) -> dict[str, Any]:
    """One device that answers Modbus, with the keys of its table in the site file."""

    words = f"Unit {answering.unit} answers: {where}."
    if answering.sunspec is not None:
        words += f" It carries the SunSpec marker, so it needs no profile: models {answering.sunspec}."
        if not any(definition(number) is not None for number in answering.sunspec_models if number != 1):
            words += " None of them is known here, so it will give nothing."
    elif answering.profile is not None:
        words += f' The profile "{answering.profile}" fits it.'
    if answering.remark:
        words += f" {answering.remark}"
    table = {"profile": answering.profile} | keys | {"unit": answering.unit}
    return {
        "says": words,
        "sunspec": list(answering.sunspec_models),
        "profile": answering.profile,
        "table": table,
    }


def _match(table: dict[str, Any], session: str) -> str:
    """What finds the meaning of a device's registers, or of the fields of its lines."""
    if table["connection"] == "tcp":
        line = f"{table['host']}:{table['tcp_port']}"
    else:
        line = f"{table['port']} --baud {table['baud']}"
    if table.get("parity", "none") != "none":
        line += f" --parity {table['parity']}"
    what, unit = "What its fields mean is", ""
    if "unit" in table:
        what, unit = "Its registers are", f" --unit {table['unit']}"
    return f" {what} not known; `nightbank match {line}{unit} --session {session}` finds it from its display."


def text(told: dict[str, Any], path: str, text: TextHeard) -> dict[str, Any]:
    """A line that speaks by itself."""
    profile = _text_profile(text)
    parts = [f"separator {text.separator!r}"] if text.separator else []
    parts += [f"assign {text.assign!r}"] if text.assign else []
    parts += [f"start {text.start!r}"] if text.start else []
    parts.append(f"checksum {text.checksum}")
    every = f", about every {text.interval_s:g} s" if text.interval_s else ""
    last = f"The last line: '{text.sample}'." if text.sample else "No line was whole."
    words = (
        f"Text at {text.baud} bit/s{every}, {100 * text.share:.0f} % printable characters; "
        f"{', '.join(parts)}. {last}"
    )
    if profile:
        words += f' The profile "{profile}" fits it.'
    keys = {"profile": profile, "connection": "serial", "port": path, "baud": text.baud}
    found: dict[str, Any] = {"says": words, "sunspec": [], "profile": profile, "table": keys}
    return told | {"state": "text", "devices": [found]}


def _text_profile(text: TextHeard) -> str | None:
    """The first shipped profile that reads the sample."""

    for shipped in shipped_profiles():
        profile = load_profile(SHIPPED / f"{shipped}.toml")
        try:
            if isinstance(profile, TextProfile) and LineJudge(profile).values(text.sample.encode("ascii")):
                return shipped
        except (BadFrame, UnicodeEncodeError):
            continue
    return None


def noise_words(noise: Noise) -> str:
    """What bytes that nobody asked for say of the line."""
    if noise.master:
        return (
            "Somebody else asks devices on this line already; two of them disturb each other, so it is left "
            "alone."
        )
    return (
        f"{noise.bytes} bytes came unasked that are no text at any of the speeds: another speed, A and B "
        "swapped, or noise on an open line."
    )


def name_devices(line: dict[str, Any], before: int) -> int:
    """Give every device of a line a name and its table as text, and tell how an unknown one becomes known:
    its match goes by the same name, so that no two share a folder. before were named already; how many are
    now.
    """
    for number, device in enumerate(line["devices"], start=before + 1):
        name, table = f"device{number}", device.pop("table")
        if table["profile"] is None and not device["sunspec"]:
            device["says"] += _match(table, name)
        device["site"] = site_table({"name": name} | table)
    return before + len(line["devices"])


def site_table(keys: dict[str, Any]) -> str:
    """The [[devices]] table of a site file with these keys."""
    lines = ["[[devices]]"]
    for key, value in keys.items():
        if key == "profile" and value is None:
            lines.append(f'profile = "{keys["name"]}.toml"           # yet to be written: nightbank match')
        else:
            lines.append(f"{key} = {json.dumps(value, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"
