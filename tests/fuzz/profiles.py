"""Profiles that keep every rule, drawn as the TOML a person would write: any quantities, encodings, scales,
places, separators and checksums. What lies behind acceptance is tried with these, since of files with a value
exchanged at random only a few are taken.
"""

from __future__ import annotations

import json
from typing import Any, get_args

from hypothesis import strategies as st

from monitor.devices.profile import Checksum, Combine, Form
from monitor.devices.profile_checks import FAULTS, STAGES, UNITS
from monitor.devices.profile_file import SHIPPED
from monitor.devices.sunspec.models import definition, paths
from monitor.devices.words import REGISTERS, Encoding, bits_of, is_half
from monitor.quantities import QUANTITIES

MODELS = (103, 160, 802)
"""What the maps of test_fuzz_maps.py hold."""

ENCODINGS: tuple[Encoding, ...] = tuple(REGISTERS)
NAMES = sorted(name for name, quantity in QUANTITIES.items() if quantity.unit in UNITS)
PLAIN = st.text(st.characters(codec="ascii", categories=("L", "N", "P", "S", "Zs")), max_size=6)

NUMBERS = st.one_of(
    st.sampled_from([1.0, 0.1, 0.01, 0.001, -0.01, 10.0, 256.0]),
    st.sampled_from([1.0, 0.1, 0.01, 0.001, -0.01, 10.0, 256.0]),
    st.floats(-1000, 1000),
    st.floats(allow_nan=False, allow_infinity=False),
)


def toml(value: object) -> str:
    """A value as TOML writes it; json's escapes are TOML's, too."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, dict):
        pairs = (f"{json.dumps(str(key))} = {toml(each)}" for key, each in value.items())
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return repr(value)


def file_of(head: dict[str, Any], tables: dict[str, list[dict[str, Any]]]) -> str:
    lines = [f"{key} = {toml(value)}" for key, value in head.items()]
    for name, entries in tables.items():
        for entry in entries:
            lines += [f"[[{name}]]", *(f"{key} = {toml(value)}" for key, value in entry.items())]
    return "\n".join(lines) + "\n"


@st.composite
def values(draw: st.DrawFn, quantity: str) -> dict[str, Any]:
    """What a point and a field share."""
    found: dict[str, Any] = {"quantity": quantity}
    if quantity == "charge_stage":
        codes = st.dictionaries(
            st.integers(0, 70_000).map(str), st.sampled_from(sorted(STAGES)), min_size=1, max_size=6
        )
        found["codes"] = draw(codes)
    found["unit"] = draw(st.sampled_from(sorted(UNITS[QUANTITIES[quantity].unit])))
    if draw(st.booleans()):
        found["scale"] = draw(NUMBERS.filter(bool))
    if draw(st.integers(0, 3)) == 0:
        found["offset"] = draw(NUMBERS)
    if draw(st.integers(0, 3)) == 0:
        ends = st.lists(st.floats(-1e6, 1e6) | NUMBERS, min_size=2, max_size=2, unique=True)
        found["plausible"] = sorted(draw(ends))
    return found


@st.composite
def modbus_profiles(draw: st.DrawFn) -> str:
    at = {3: draw(st.integers(0, 60_000)), 4: draw(st.integers(0, 60_000))}
    points, gaps = [], []
    for quantity in draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=10, unique=True)):
        has_codes, has_bits = quantity == "charge_stage", quantity == "fault_bits"
        point = draw(values(quantity))
        if has_bits:
            names = st.sampled_from(sorted(FAULTS))
            point["bits"] = draw(st.dictionaries(st.integers(0, 31).map(str), names, min_size=1, max_size=5))
        whole: tuple[Encoding, ...] = ("u16", "u32")
        encoding = draw(st.sampled_from(whole if has_codes or has_bits else ENCODINGS))
        function = draw(st.sampled_from((3, 4)))
        skipped = draw(st.sampled_from((0, 0, 0, 1, 3, 30, 200)))
        if skipped and draw(st.booleans()):
            gaps.append({"function": function, "first": at[function], "last": at[function] + skipped - 1})
        at[function] += skipped
        point |= {"function": function, "address": at[function], "encoding": encoding}
        if REGISTERS[encoding] == 2:
            point["word_order"] = draw(st.sampled_from(("high_first", "low_first")))
        if encoding != "f32" and not is_half(encoding) and draw(st.booleans()):
            least = -(1 << bits_of(encoding) - 1) if encoding[0] == "s" else 0
            point["invalid"] = [float(draw(st.integers(least, (1 << bits_of(encoding)) - 1)))]
        at[function] += REGISTERS[encoding]
        points.append(point)
    head: dict[str, Any] = {"protocol": "modbus", "about": draw(PLAIN), "source": draw(PLAIN)}
    head["largest_request"] = draw(st.integers(2, 125))
    return file_of(head, {"gaps": gaps, "points": points})


@st.composite
def text_profiles(draw: st.DrawFn) -> str:
    form, checksum = draw(st.sampled_from(get_args(Form))), draw(st.sampled_from(get_args(Checksum)))
    head: dict[str, Any] = {"protocol": "text", "about": draw(PLAIN), "source": draw(PLAIN)}
    head |= {"form": form, "checksum": checksum}
    head["separator"] = draw(st.sampled_from((";", ",", " ", "\t", "|", ", ")))
    head["assign"] = draw(st.sampled_from(("=", ":", "==")))
    head["start"] = draw(st.sampled_from(("", "", "$", "> ")))
    head["missing"] = draw(st.lists(st.sampled_from(("", "--", "nan", "1.5")), max_size=2, unique=True))
    names = draw(
        st.lists(
            st.sampled_from([name for name in NAMES if name != "fault_bits"]),
            min_size=1,
            max_size=8,
            unique=True,
        )
    )
    width = len(names) + draw(st.integers(1, 4))
    columns = draw(st.permutations(range(1, width)))
    if form == "columns":
        head["columns"] = width
        if draw(st.booleans()):
            head["constants"] = {"0": draw(st.sampled_from(("P", "", "x y")))}
    fields = []
    for number, name in enumerate(names):
        entry = draw(values(name))
        if form == "pairs":
            entry["key"] = "VIMTABCD"[number] + draw(st.sampled_from(("", "1", "_x")))
        else:
            entry["column"] = columns[number]
        if "codes" not in entry and (checksum == "none" or draw(st.booleans())):
            entry["largest_step"] = draw(st.floats(1e-3, 1e6))
        fields.append(entry)
    return file_of(head, {"fields": fields})


@st.composite
def sunspec_profiles(draw: st.DrawFn) -> str:
    """Points of any name; most are of another type than the quantity, which must do no harm."""
    points = []
    for quantity in draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=8, unique=True)):
        if quantity in ("charge_stage", "fault_bits"):
            continue
        number = draw(st.sampled_from(MODELS))
        model = definition(number)
        assert model is not None
        point = draw(values(quantity))
        point |= {"models": [number], "point": draw(st.sampled_from(sorted(paths(model))))}
        point["combine"] = draw(st.sampled_from(get_args(Combine)))
        points.append(point)
    if not points:
        return (SHIPPED / "sunspec.toml").read_text(encoding="utf-8")
    head = {"protocol": "sunspec", "about": draw(PLAIN), "source": draw(PLAIN)}
    return file_of(head, {"points": points})


SOUND = st.one_of(modbus_profiles(), text_profiles(), sunspec_profiles())
"""Any of the three kinds."""
