"""`nightbank match` over recorded dumps: what it finds, how sure it says it is, and what it asks for.

The devices are small maps written by hand here, with words worked out beside them; `test_match_maps.py` takes
drawn ones.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.match.answer import Answer, Finding, document, match
from monitor.match.asking import AGAIN, COVER, LAMP, LAMP_IN_SUN, OUTPUT_OFF, SUN, ask
from monitor.match.candidates import Finder, by_chance, window
from monitor.match.chance import by_accident
from monitor.match.columns import columns_of
from monitor.match.dump import Dump, Snapshot, load_dump
from monitor.match.joint import Held, weigh
from monitor.match.power import before_converter
from monitor.match.same_day import no_day_began
from monitor.match.seen import Look, Shown, coarsened, load_seen, shown

TIMES = ("2027-06-10T08:00:00Z", "2027-06-10T11:00:00Z", "2027-06-10T15:00:00Z")

Words = Mapping[tuple[int, int], int]

# A 12 V supply with a converter, in the morning, at noon, in the afternoon: volts and amperes in hundredths
# from address 100 of function 4 on, watts in tenths, the bank's current with its sign (65416 is -1.20 A)
MORNING = {100: 1214, 101: 155, 102: 3205, 103: 61, 104: 195, 105: 120, 106: 35, 107: 181, 108: 244}
NOON = {100: 1362, 101: 903, 102: 3051, 103: 418, 104: 1275, 105: 310, 106: 593, 107: 224, 108: 391}
AFTERNOON = {100: 1287, 101: 190, 102: 3312, 103: 77, 104: 255, 105: 310, 106: 65416, 107: 206, 108: 287}
SHOWN = (
    {
        "battery_voltage_V": "12.1",
        "charge_current_A": "1.5",
        "array_voltage_V": "32.0",
        "array_current_A": "0.6",
        "array_power_W": "19.5",
        "load_current_A": "1.2",
        "battery_current_A": "0.3",
        "battery_temperature_C": "18.1",
        "controller_temperature_C": "24.4",
    },
    {
        "battery_voltage_V": "13.6",
        "charge_current_A": "9.0",
        "array_voltage_V": "30.5",
        "array_current_A": "4.1",
        "array_power_W": "127.5",
        "load_current_A": "3.1",
        "battery_current_A": "5.9",
        "battery_temperature_C": "22.4",
        "controller_temperature_C": "39.1",
    },
    {
        "battery_voltage_V": "12.8",
        "charge_current_A": "1.9",
        "array_voltage_V": "33.1",
        "array_current_A": "0.7",
        "array_power_W": "25.5",
        "load_current_A": "3.1",
        "battery_current_A": "-1.2",
        "battery_temperature_C": "20.6",
        "controller_temperature_C": "28.7",
    },
)
PLACES = {
    "battery_voltage_V": (100, 0.01),
    "charge_current_A": (101, 0.01),
    "array_voltage_V": (102, 0.01),
    "array_current_A": (103, 0.01),
    "array_power_W": (104, 0.1),
    "load_current_A": (105, 0.01),
    "battery_current_A": (106, 0.01),
    "battery_temperature_C": (107, 0.1),
    "controller_temperature_C": (108, 0.1),
}
SETTINGS = {
    (3, 10 + n): word for n, word in enumerate((1440, 1360, 1150, 1260, 200, 30, 0, 0, 12, 1, 65535, 0))
}


def device(values: Mapping[int, int], more: Words | None = None) -> Words:
    return {**{(4, address): word for address, word in values.items()}, **SETTINGS, **(more or {})}


def dumped(*snapshots: Words) -> Dump:
    return Dump(tuple(Snapshot(1000 * n, words) for n, words in enumerate(snapshots)))


def looked(*readings: Mapping[str, str]) -> tuple[Look, ...]:
    return tuple(
        Look(n, {name: value for name, text in reading.items() if (value := shown(text)) is not None})
        for n, reading in enumerate(readings)
    )


def found(answer: Answer) -> dict[str, dict[str, object]]:
    entries: dict[str, dict[str, object]] = document(answer, None)["quantities"]
    return entries


DAY = (device(MORNING), device(NOON), device(AFTERNOON))


def test_three_looks_find_every_register():
    entries = found(match(dumped(*DAY), looked(*SHOWN)))
    got = {name: (entry["function"], entry["address"], entry["scale"]) for name, entry in entries.items()}
    assert got == {name: (4, address, scale) for name, (address, scale) in PLACES.items()}
    assert {entry["offset"] for entry in entries.values()} == {0.0}
    assert entries["battery_current_A"]["encoding"] == "s16"


def test_what_rose_and_fell_and_nothing_else_agrees_with_is_certain():
    states = {name: entry["state"] for name, entry in found(match(dumped(*DAY), looked(*SHOWN))).items()}
    sure = {name for name, state in states.items() if state == "certain"}
    assert {"charge_current_A", "array_power_W", "battery_current_A"} <= sure


def bank_voltage(snapshots: Sequence[Words], *off: int) -> Finding:
    """What is found for the battery voltage; off are looks with the load output switched off."""
    looks = looked(*({"battery_voltage_V": reading["battery_voltage_V"]} for reading in SHOWN))
    looks = tuple(replace(look, output_off=look.index in off) for look in looks)
    (finding,) = match(dumped(*snapshots), looks).findings
    return finding


def test_a_voltage_may_be_the_load_output_s_until_that_is_switched_off():
    """The bank's and the load output's voltage are one while the output is on: physics of a switch."""
    on = bank_voltage(DAY)
    assert (on.state, on.doubts) == ("likely", ("output",))
    assert ask(Answer((on,))).act == OUTPUT_OFF  # type: ignore[union-attr]
    assert bank_voltage(DAY, 2).state == "certain"


def test_the_load_output_s_voltage_is_never_the_bank_s_once_that_is_switched_off():
    """A map that carries the load output's voltage at address 100 and no battery voltage."""
    switched = (DAY[0], DAY[1], device({**AFTERNOON, 100: 0}))
    assert bank_voltage(DAY).state != "certain"
    assert bank_voltage(switched, 2).state == "open"


def test_a_register_that_is_seen_to_be_the_load_output_s_leaves_the_other_to_the_bank():
    both = (
        {**DAY[0], (4, 140): 1214},
        {**DAY[1], (4, 140): 1362},
        {**DAY[2], (4, 140): 0},
    )
    assert bank_voltage(both).state == "certain"
    assert bank_voltage(both).best.column.address == 100  # type: ignore[union-attr]


def test_nothing_is_certain_after_one_look():
    states = [entry["state"] for entry in found(match(dumped(DAY[0]), looked(SHOWN[0]))).values()]
    assert "certain" not in states


def test_a_mirrored_value_is_either_of_two_and_never_certain():
    mirrored = [{**words, (3, 500): words[4, 100]} for words in DAY]
    entry = found(match(dumped(*mirrored), looked(*SHOWN)))["battery_voltage_V"]
    assert entry["state"] == "likely"
    places = {(told["function"], told["address"]) for told in entry["candidates"]}  # type: ignore[attr-defined]
    assert {(4, 100), (3, 500)} <= places


def test_a_value_that_only_rose_may_be_the_day_s_highest():
    rising = [device({**MORNING, 100: volts}) for volts in (1214, 1287, 1362)]
    looks = looked(*({"battery_voltage_V": text} for text in ("12.1", "12.8", "13.6")))
    (finding,) = match(dumped(*rising), looks).findings
    assert finding.state != "certain"
    assert "extreme" in finding.doubts


@pytest.mark.parametrize("energy", [(410, 0, 405), None], ids=["the day's energy starts anew", "not shown"])
def test_what_falls_and_rises_only_because_days_begin_may_be_a_record(energy):
    """Noon, after midnight, noon of another day: the day's highest reads like the live current each time."""
    held = [{(4, 100 + n): 7 * n for n in range(12)} | {(4, 112): word} for word in (412, 0, 397)]
    hours = (11, 25, 36)
    looks = looked(*({"array_current_A": f"{words[4, 112] / 100:.2f}"} for words in held))
    if energy is not None:
        told = [Shown(float(Wh), 1.0) for Wh in energy]
        looks = tuple(
            replace(look, shown={**look.shown, "energy_today_Wh": Wh})
            for look, Wh in zip(looks, told, strict=True)
        )
    for between, doubted in ((1.0, True), (0.1, False)):  # the same words within four hours prove it live
        times = [round(3_600_000 * (hours[0] + between * (hour - hours[0]))) for hour in hours]
        dump = Dump(tuple(Snapshot(time, words) for time, words in zip(times, held, strict=True)))
        (finding, *_) = match(dump, looks).findings
        assert finding.best is not None
        assert ("extreme" in finding.doubts) is (doubted or energy is not None)


def test_a_day_s_energy_that_has_not_fallen_keeps_looks_in_one_day():
    looks = looked(*({"energy_today_Wh": Wh} for Wh in ("120", "300", "0", "80")))
    hour = 3_600_000
    assert no_day_began([0, 12 * hour, 20 * hour, 21 * hour], looks) == (True, False, True)
    assert no_day_began([0, 30 * hour, 32 * hour, 45 * hour], looks) == (False, False, False)
    assert no_day_began(None, looks) is None


@pytest.mark.parametrize(
    ("watts", "doubted"), [((642, 270, 0), False), ((64, 27, 0), True)], ids=["tenths", "whole"]
)
def test_watts_counted_too_coarsely_do_not_tell_the_array_s_from_the_bank_s(watts, doubted):
    """A converter that takes two watts in a hundred: a register of tenths of a watt shows it, one of whole
    watts would read the same on either side of it."""
    volts, array, amps = (1440, 1420, 1190), (1950, 2170, 0), (430, 180, 0)
    snapshots = [
        device({100: volt, 102: open_V, 101: amp, 104: watt})
        for volt, open_V, amp, watt in zip(volts, array, amps, watts, strict=True)
    ]
    keys = ("battery_voltage_V", "array_voltage_V", "charge_current_A", "array_power_W")
    rows = (("14.4", "19.5", "4.3", "64.2"), ("14.2", "21.7", "1.8", "27.0"), ("11.9", "0.0", "0.0", "0.0"))
    looks = looked(*(dict(zip(keys, row, strict=True)) for row in rows))
    power = next(one for one in match(dumped(*snapshots), looks).findings if one.quantity == "array_power_W")
    assert power.best is not None
    assert power.best.column.address == 104
    assert ("charge" in power.doubts) is doubted


def test_the_day_s_energy_may_be_the_total_as_long_as_it_may_be_the_first_day():
    """A device that keeps one counter of energy, seen on one day: what it has ever counted is what it has
    today. A total that runs ahead by the same all day, or a counter that begins anew, shows that there were
    days before."""

    def doubted(counts: Sequence[int], ahead: int | None = None) -> bool:
        energy = [{120: count} if ahead is None else {120: count, 140: count + ahead} for count in counts]
        snapshots = [
            device({**day, **words}) for day, words in zip((MORNING, NOON, AFTERNOON), energy, strict=True)
        ]
        looks = looked(*({"energy_today_Wh": str(count)} for count in counts))
        (finding,) = match(dumped(*snapshots), looks).findings
        assert finding.best is not None
        assert finding.best.column.address == 120
        return "total" in finding.doubts

    assert doubted((210, 655, 873))
    assert not doubted((210, 655, 873), ahead=31_200)
    assert not doubted((655, 30, 210))


def test_a_register_that_never_answers_together_with_the_day_s_energy_says_nothing_of_it():
    counts = (210, 655, 873)
    answers = ({120: counts[0]}, {120: counts[1]}, {120: counts[2]}, {140: 31_410}, {140: 31_855})
    snapshots = [device(MORNING | words) for words in answers]
    looks = looked(*({"energy_today_Wh": str(count)} for count in counts))
    (finding,) = match(dumped(*snapshots), looks).findings
    assert "total" in finding.doubts


def test_a_current_that_falls_by_day_is_no_record_of_the_day():
    """The day's highest never falls, and the day's lowest has been nothing since the night."""
    falling = [device({**NOON, 103: amps}) for amps in (418, 301, 77)]
    looks = looked(*({"array_current_A": text, "array_voltage_V": "30.5"} for text in ("4.1", "3.0", "0.7")))
    answer = match(dumped(*falling), looks)
    assert "extreme" not in answer.findings[1].doubts
    assert answer.findings[1].quantity == "array_current_A"


def test_an_empty_register_beside_a_certain_one_is_left_out_of_the_reading():
    """Right whether the pair is one number, or the other register another quantity at zero."""
    volts = ((0, 1214), (0, 1362), (0, 1287), (0, 1301))
    snapshots = [{(3, 7): high, (3, 8): low, (3, 30): 7, (3, 31): 0, (3, 32): 900} for high, low in volts]
    looks = looked(*({"battery_voltage_V": text} for text in ("12.1", "13.6", "12.8", "13.0")))
    entry = found(match(dumped(*snapshots), looks))["battery_voltage_V"]
    assert (entry["address"], entry["encoding"], entry["scale"]) == (8, "u16", 0.01)


def test_a_set_point_that_equals_the_live_value_loses_as_soon_as_that_moves():
    floating = [device({**NOON, 100: volts}) for volts in (1360, 1361, 1287)]
    looks = looked(*({"battery_voltage_V": text} for text in ("13.6", "13.6", "12.8")))
    entry = found(match(dumped(*floating), looks))["battery_voltage_V"]
    assert (entry["function"], entry["address"]) == (4, 100)


def test_a_quantity_in_no_register_stays_open():
    without = [{place: word for place, word in words.items() if place != (4, 107)} for words in DAY]
    entry = found(match(dumped(*without), looked(*SHOWN)))["battery_temperature_C"]
    assert entry["state"] == "open"


def test_charge_current_is_not_certain_while_the_bank_s_current_would_have_shown_the_same():
    only = [{name: reading[name] for name in ("battery_voltage_V", "charge_current_A")} for reading in SHOWN]
    (_, finding) = match(dumped(*DAY), looked(*only)).findings
    assert finding.quantity == "charge_current_A"
    assert "net" in finding.doubts
    assert finding.state == "likely"


@pytest.mark.parametrize(
    ("words", "place"),
    [
        # 12.5, 13.25, 12.75 V as IEEE 754 binary32: 0x41480000, 0x41540000, 0x414C0000, worked out by hand
        (((0x4148, 0), (0x4154, 0), (0x414C, 0)), (7, "f32", "high_first", 1.0)),
        (((0, 0x4148), (0, 0x4154), (0, 0x414C)), (7, "f32", "low_first", 1.0)),
        # in thousandths 12500 fits one register; the other one of the pair stays zero and tells nothing
        (((0, 12500), (0, 13250), (0, 12750)), (8, "u16", None, 0.001)),
    ],
)
def test_a_number_over_two_registers_is_found_in_any_writing(words, place):
    snapshots = [{(3, 7): first, (3, 8): second, (3, 30): 7} for first, second in words]
    looks = looked(*({"battery_voltage_V": text} for text in ("12.5", "13.2", "12.7")))
    entry = found(match(dumped(*snapshots), looks))["battery_voltage_V"]
    assert tuple(entry[key] for key in ("address", "encoding", "word_order", "scale")) == place


def test_two_numbers_in_halves_of_a_register_are_found_with_their_offset():
    # high half: 66 - 40 = 26 °C, 55 - 40 = 15, 61 - 40 = 21; low half: 98, 71, 84 %
    words = ((66 << 8 | 98), (55 << 8 | 71), (61 << 8 | 84))
    snapshots = [{(4, 20): word, (4, 21): 1300, (4, 22): 0} for word in words]
    readings = zip(("26", "15", "21"), ("98", "71", "84"), strict=True)
    looks = looked(*({"battery_temperature_C": t, "state_of_charge_percent": c} for t, c in readings))
    entries = found(match(dumped(*snapshots), looks))
    warm, full = entries["battery_temperature_C"], entries["state_of_charge_percent"]
    assert (warm["address"], warm["encoding"], warm["scale"], warm["offset"]) == (20, "u8hi", 1.0, -40.0)
    assert (full["address"], full["encoding"], full["scale"]) == (20, "u8lo", 1.0)


def test_a_display_without_sign():
    unsigned = [
        {**reading, "battery_current_A": reading["battery_current_A"].lstrip("-")} for reading in SHOWN
    ]
    entry = found(match(dumped(*DAY), looked(*unsigned)))["battery_current_A"]
    assert (entry["address"], entry["scale"]) == (106, 0.01)


@pytest.mark.parametrize("true", [12.0, 12.049, 12.05, 12.0999, -3.21, 0.04])
@pytest.mark.parametrize("coarse", [0.0, 0.01, 0.1, 1.0])
def test_display_and_register_of_one_value_lie_within_the_window(true, coarse):
    """Both may round or cut, in any combination."""

    def forms(step: float) -> set[float]:
        if not step:
            return {true}
        cut = int(abs(true) / step + 1e-9) * step
        rounded = int(abs(true) / step + 0.5) * step
        return {(1 if true >= 0 else -1) * value for value in (cut, rounded)}

    for told in forms(0.1):
        low, high = window(Shown(told, 0.1), coarse)
        for register in forms(coarse):
            assert low - 1e-9 <= register - told <= high + 1e-9


def test_whole_numbers_that_end_in_zero_count_in_tens():
    (look, *_) = coarsened(looked({"energy_today_Wh": "510"}, {"energy_today_Wh": "540"}))
    assert look.shown["energy_today_Wh"].step == 10
    (look, *_) = coarsened(looked({"energy_today_Wh": "510"}, {"energy_today_Wh": "543"}))
    assert look.shown["energy_today_Wh"].step == 1


@pytest.mark.parametrize("text", ["\u0661\u0662.\u0661", "1_2", "12,6", "--", "", "1e3", "12.6 A V", "0x10"])
def test_a_text_that_is_no_number_shows_nothing(text):
    assert shown(text) is None


def test_digits_with_a_unit_or_a_true_minus():
    assert shown("12.60 V") == Shown(12.6, 0.01)
    assert shown("−1.2") == Shown(-1.2, 0.1)


def test_columns_leave_out_what_repeats():
    encodings = [
        (column.address, column.encoding) for column in columns_of(dumped({(3, 0): 5, (3, 9): 0xFF85}))
    ]
    assert encodings == [
        (0, "u16"),
        (9, "u16"),
        (9, "s16"),
        (9, "u8hi"),
        (9, "s8hi"),
        (9, "u8lo"),
        (9, "s8lo"),
    ]


def test_a_load_that_was_never_on_asks_for_a_lamp():
    off = [device({**values, 105: 0}) for values in (MORNING, NOON, AFTERNOON)]
    looks = looked(*({"load_current_A": "0.0", "battery_voltage_V": s["battery_voltage_V"]} for s in SHOWN))
    asked = ask(match(dumped(*off), looks))
    assert asked is not None
    assert asked.act == LAMP
    assert "load current" in asked.text


@pytest.mark.parametrize(
    ("names", "act"),
    [
        (("charge_current_A", "battery_voltage_V"), LAMP_IN_SUN),
        (("array_voltage_V", "battery_voltage_V"), OUTPUT_OFF),
    ],
)
def test_the_act_that_is_asked_for_next_follows_from_what_was_shown(names, act):
    looks = looked(*({name: reading[name] for name in names} for reading in SHOWN))
    asked = ask(match(dumped(*DAY), looks))
    assert (asked.act if asked else None) == act


def test_digits_that_nothing_agrees_with_are_asked_for_once_more_and_not_a_third_time():
    """They may have been mistyped or have moved meanwhile; what is in no register is not asked for again."""
    once = ask(match(dumped(DAY[0]), looked({"battery_voltage_V": "47.3"})))
    assert once is not None
    assert once.act == AGAIN
    twice = looked({"battery_voltage_V": "47.3"}, {"battery_voltage_V": "51.9"})
    assert ask(match(dumped(*DAY[:2]), twice)) is None


def test_rising_sun_asks_to_cover_the_panel():
    rising = [device({**NOON, 103: amps}) for amps in (61, 77, 418)]
    looks = looked(*({"array_current_A": text, "array_voltage_V": "30.5"} for text in ("0.6", "0.7", "4.1")))
    asked = ask(match(dumped(*rising), looks))
    assert asked is not None
    assert asked.act in (COVER, SUN)


# the files, and the command


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    dump, seen = tmp_path / "dump.csv", tmp_path / "seen.toml"
    lines = ["time,function,address,word"]
    for time, words in zip(TIMES, DAY, strict=True):
        lines += [f"{time},{function},{address},{word}" for (function, address), word in words.items()]
    dump.write_text("\n".join(lines) + "\n", encoding="utf-8")
    tables = []
    for time, reading in zip(TIMES, SHOWN, strict=True):
        tables += ["[[seen]]", f'time = "{time}"', *(f'{name} = "{text}"' for name, text in reading.items())]
    seen.write_text("\n".join(tables) + "\n", encoding="utf-8")
    return dump, seen


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["match", *arguments])
    return result.exit_code, result.output


def test_the_command_prints_the_document(files):
    dump, seen = files
    status, output = run("--dump", str(dump), "--seen", str(seen), "--json")
    answer = json.loads(output)
    assert status == 0
    assert set(answer) == {"quantities", "ask"}
    assert set(answer["quantities"]) == set(PLACES)
    keys = {"state", "function", "address", "encoding", "word_order", "scale", "offset", "candidates"}
    assert all(set(entry) == keys for entry in answer["quantities"].values())


def test_a_look_with_the_load_output_off_is_read_from_the_file(files):
    dump, seen = files
    seen.write_text(seen.read_text(encoding="utf-8") + 'load_output = "off"\n', encoding="utf-8")
    status, output = run("--dump", str(dump), "--seen", str(seen), "--details")
    assert status == 0
    assert "Battery voltage: certain, function 4 address 100, u16 x 0.01 V." in output


def test_the_command_tells_a_person_the_evidence(files):
    dump, seen = files
    status, output = run("--dump", str(dump), "--seen", str(seen), "--details")
    assert status == 0
    assert "Battery voltage: likely, function 4 address 100, u16 x 0.01 V." in output
    assert "Shown 12.1, 13.6, 12.8; the register read 12.14, 13.62, 12.87." in output


def test_the_command_tells_first_what_is_known_and_then_the_one_thing_to_do(files):
    dump, seen = files
    status, output = run("--dump", str(dump), "--seen", str(seen))
    head, _, *rows = output.splitlines()
    assert status == 0
    assert head.startswith("After 3 looks at the display: ")
    assert "charge current 1.9 A certain function 4 address 101" in [" ".join(row.split()) for row in rows]
    assert len([row for row in rows if row.startswith("  ")]) == len(PLACES)
    told = ask(match(dumped(*DAY), looked(*SHOWN)))
    assert told is not None
    assert " ".join(output.split()).count(f"Next: {told.text}") == 1
    assert len(rows) < len(PLACES) + 8  # it stays on a small screen


def test_a_number_that_no_bank_has_is_called_a_typing_mistake(files):
    """12.1 without its point; 48 V is the highest nominal voltage of such supplies (common practice)."""
    dump, seen = files
    seen.write_text(seen.read_text(encoding="utf-8").replace('"12.1"', '"121"'), encoding="utf-8")
    status, output = run("--dump", str(dump), "--seen", str(seen))
    assert status == 0
    assert "121 V looks like a typing mistake" in output
    status, output = run("--dump", str(dump), "--seen", str(seen), "--json")
    assert status == 0
    assert "121 V looks like a typing mistake" in output  # on standard error


def test_a_last_line_that_does_not_end_is_left_out_and_told(files):
    """A cut '3912' would otherwise be read as 391."""
    dump, seen = files
    text = dump.read_text(encoding="utf-8")
    dump.write_text(text.rstrip("\n") + f"\n{TIMES[2]},4,100,128", encoding="utf-8")
    assert load_dump(dump).snapshots[2].words[4, 100] == AFTERNOON[100]
    status, output = run("--dump", str(dump), "--seen", str(seen))
    assert status == 0
    assert f"its last line ('{TIMES[2]},4,100,128') does not end and may be cut off" in output
    dump.write_text(text, encoding="utf-8")
    assert not load_dump(dump).remark


def test_a_time_noted_with_its_fraction_is_the_snapshot_of_that_second(files):
    dump, seen = files
    exact = load_seen(seen, load_dump(dump))
    seen.write_text(seen.read_text(encoding="utf-8").replace("00:00Z", "00:00.400Z"), encoding="utf-8")
    assert load_seen(seen, load_dump(dump)) == exact


def test_a_profile_is_not_written_over_another_file(files, tmp_path):
    dump, seen = files
    (tmp_path / "own.toml").write_text("mine", encoding="utf-8")
    status, output = run("--dump", str(dump), "--seen", str(seen), "--profile", str(tmp_path / "own.toml"))
    assert status == 2
    assert "is there already" in output
    assert (tmp_path / "own.toml").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("2027-06-10T08:00:00Z,4,100", "line 3: row: holds 3 fields, not 4"),
        ("2027-06-10T08:00:00Z,5,100,1", "line 3: function: is 5; it must be 3 to 4"),
        ("2027-06-10T08:00:00Z,4,70000,1", "line 3: address: is 70000; it must be 0 to 65535"),
        ("2027-06-10T08:00:00Z,4,100,12.5", "line 3: word: is '12.5'; it must be a whole number"),
        ("2027-06-10T08:00:00Z,4,1_0,12", "line 3: address: is '1_0'; it must be a whole number"),
        ("2027-06-10T08:00:00Z,4,10,\u0663", "line 3: word: is '\u0663'; it must be a whole number"),
        ("yesterday,4,100,1", "line 3: time: is 'yesterday'; write it like"),
        ("2027-06-10T08:00:00Z,4,99,8", "line 3: address: function 4, address 99 has two different words"),
    ],
)
def test_a_bad_dump_is_told_with_its_line(files, line, told):
    dump, seen = files
    dump.write_text(f"time,function,address,word\n2027-06-10T08:00:00Z,4,99,7\n{line}\n", encoding="utf-8")
    status, output = run("--dump", str(dump), "--seen", str(seen))
    assert status == 1
    assert told in output


@pytest.mark.parametrize("content", ["", "a,b\n", "time,function,address,word\n"])
def test_a_dump_without_registers_is_refused(files, content):
    dump, seen = files
    dump.write_text(content, encoding="utf-8")
    status, output = run("--dump", str(dump), "--seen", str(seen))
    assert status == 1
    assert "dump.csv: " in output


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "seen: is missing"),
        (
            f'[[seen]]\ntime = "{TIMES[0]}"\nload_current_A = "1.0"\nload_output = "of"\n',
            'line 4: seen[0].load_output: is \'of\'; write "on" or "off"',
        ),
        ('[[seen]]\nbattery_voltage_V = "12.1"\n', "line 1: seen[0].time: is missing"),
        (f'[[seen]]\ntime = "{TIMES[0]}"\nbattery_volts = "1"\n', "line 3: seen[0].battery_volts: no such"),
        (
            f'[[seen]]\ntime = "{TIMES[0]}"\nbattery_voltage_V = 12.1\n',
            "line 3: seen[0].battery_voltage_V: is",
        ),
        (
            f'[[seen]]\ntime = "{TIMES[0]}"\nload_current_A = "--"\n',
            "line 3: seen[0].load_current_A: is '--'",
        ),
        (
            '[[seen]]\ntime = "2027-06-10T09:00:00Z"\nload_current_A = "1.0"\n',
            "its nearest one is 2027-06-10T08:00:00Z",
        ),
        (2 * f'[[seen]]\ntime = "{TIMES[0]}"\nload_current_A = "1.0"\n', "line 5: seen[1].time: another"),
        (f'[[seen]]\ntime = "{TIMES[0]}"\n', "line 1: seen[0].battery_voltage_V: no quantity is given"),
        ("[[seen]\n", "line 1: file: is not valid TOML here"),
        ('[looks]\ntime = "x"\n', "looks: unknown key"),
    ],
)
def test_bad_readings_are_told_with_their_line(files, text, told):
    dump, seen = files
    seen.write_text(text, encoding="utf-8")
    status, output = run("--dump", str(dump), "--seen", str(seen))
    assert status == 1
    assert told in output


# what the places say about each other


def test_a_pair_is_the_reading_where_all_numbers_stand_in_pairs():
    """Thousandths of a volt in one register end at 65.5 V: the empty upper half is needed in summer."""
    places = {0: (0, 32140), 2: (0, 4100), 4: (0, 12900), 6: (0, 1250), 8: (0, 870), 10: (0, 33)}
    later = {0: (0, 30510), 2: (0, 900), 4: (0, 13620), 6: (0, 3110), 8: (0, 870), 10: (0, 41)}
    last = {0: (0, 33890), 2: (0, 100), 4: (0, 12870), 6: (0, 870), 8: (0, 870), 10: (0, 38)}
    snapshots = [
        {(3, address + n): word for address, pair in words.items() for n, word in enumerate(pair)}
        for words in (places, later, last)
    ]
    looks = looked(*({"array_voltage_V": text} for text in ("32.1", "30.5", "33.9")))
    (finding,) = match(dumped(*snapshots), looks).findings
    assert "width" not in finding.doubts
    in_words = [{**words, (3, 2): 7, (3, 4): 8} for words in snapshots]  # a number that has no upper half
    (finding,) = match(dumped(*in_words), looks).findings
    assert "width" in finding.doubts


def test_small_whole_degrees_may_be_written_in_eight_bits():
    """-3 is 0xFFFD in sixteen bits and 0x00FD in eight: two's complement."""
    snapshots = [{**DAY[n], (4, 107): degrees, (4, 150): 900} for n, degrees in enumerate((14, 23, 18))]
    looks = looked(*({"battery_temperature_C": text} for text in ("14", "23", "18")))
    (finding,) = match(dumped(*snapshots), looks).findings
    assert "sign" in finding.doubts
    frost = [{**words, (4, 107): degrees} for words, degrees in zip(snapshots, (14, 23, 0xFFFD), strict=True)]
    looks = looked(*({"battery_temperature_C": text} for text in ("14", "23", "-3")))
    (finding,) = match(dumped(*frost), looks).findings
    assert "sign" not in finding.doubts


def test_the_bank_s_power_is_not_taken_for_the_array_s():
    """24 V x 3 A of an array without a converter give 23.7 V x 3 A to the bank: 1 W of 72 tells nothing."""
    volts, array, amps = (2370, 2410, 2330), (2400, 2440, 2360), (300, 150, 220)
    snapshots = [
        {(4, 0): v, (4, 1): u, (4, 2): i, (4, 3): round(v * i / 1e4), (4, 9): 77}
        for v, u, i in zip(volts, array, amps, strict=True)
    ]
    looks = looked(
        *(
            {
                "battery_voltage_V": f"{v / 100:.1f}",
                "array_voltage_V": f"{u / 100:.1f}",
                "charge_current_A": f"{i / 100:.1f}",
                "array_power_W": f"{u * i / 1e4:.0f}",
            }
            for v, u, i in zip(volts, array, amps, strict=True)
        )
    )
    states = {finding.quantity: finding.state for finding in match(dumped(*snapshots), looks).findings}
    assert states["array_power_W"] != "certain"


def test_watts_are_the_array_s_where_they_are_its_volts_times_its_amperes():
    """W = V x A; a converter keeps a twentieth here, so that the bank's volts times its amperes are less."""
    bank, array, amps = (1214, 1362, 1287), (3205, 3051, 3312), (301, 418, 377)
    watts = [round(u * i / 1e3) for u, i in zip(array, amps, strict=True)]
    charge = [round(0.95 * w * 10 / v * 100) for w, v in zip(watts, bank, strict=True)]
    rows = list(zip(bank, array, amps, watts, charge, strict=True))
    snapshots = [{(4, n): word for n, word in enumerate((*row, 77))} for row in rows]
    names = {
        "battery_voltage_V": 100,
        "array_voltage_V": 100,
        "array_current_A": 100,
        "array_power_W": 10,
        "charge_current_A": 100,
    }
    looks = looked(
        *(
            {name: f"{word / per:.1f}" for word, (name, per) in zip(row, names.items(), strict=True)}
            for row in rows
        )
    )
    findings = match(dumped(*snapshots), looks).findings
    best = {one.quantity: one.best for one in findings if one.best is not None}
    assert before_converter(best)
    on_the_bank_s_side = {
        **best,
        "array_voltage_V": best["battery_voltage_V"],
        "array_current_A": best["charge_current_A"],
    }
    assert not before_converter(on_the_bank_s_side)


def accident(quantity: str, snapshots: Sequence[Words], looks: Sequence[Look]) -> float:
    """How likely something agrees by chance with the digits of the only quantity shown."""
    registers = Counter(function for function, _ in snapshots[0])
    finder = Finder(columns_of(dumped(*snapshots)))
    candidates = {quantity: finder.find(quantity, looks)}
    beliefs = weigh(candidates, {quantity: by_chance(quantity, looks)}, registers)
    best = max(zip(beliefs[quantity], candidates[quantity], strict=True), key=lambda one: one[0])[1]
    others = Held(candidates, beliefs, registers).without(quantity)
    return by_accident(quantity, best, looks, finder, others)


def test_a_digit_and_two_zeros_agree_by_chance_with_much_that_goes_with_the_sun():
    """Six registers go with the sun in several proportions: in four scales one of them soon shows 0.4."""
    snapshots = [
        {(4, n): share * sun for n, share in enumerate((3, 7, 11, 13, 17, 23))} | {(4, 20): 55}
        for sun in (6, 0, 0)
    ]
    zeros = looked(*({"array_current_A": text} for text in ("0.4", "0.0", "0.0")))
    assert accident("array_current_A", snapshots, zeros) > 0.05
    volts = looked(*({"battery_voltage_V": one["battery_voltage_V"]} for one in SHOWN))
    assert accident("battery_voltage_V", DAY, volts) < 0.001


def test_what_stands_between_found_places_is_no_record_of_the_day():
    """Battery temperature has only risen; its neighbours on both sides are live, and no record is near."""
    rising = [{**words, (4, 107): word} for words, word in zip(DAY, (1810, 2060, 2240), strict=True)]
    shown_so = [
        {**reading, "battery_temperature_C": text}
        for reading, text in zip(SHOWN, ("18.1", "20.6", "22.4"), strict=True)
    ]
    findings = {one.quantity: one for one in match(dumped(*rising), looked(*shown_so)).findings}
    assert findings["battery_temperature_C"].best.column.address == 107  # type: ignore[union-attr]
    assert "extreme" not in findings["battery_temperature_C"].doubts
    alone = [{(3, 40): words[4, 107], (3, 41): 7} for words in rising]
    looks = looked(*({"battery_temperature_C": one["battery_temperature_C"]} for one in shown_so))
    (finding,) = match(dumped(*alone), looks).findings
    assert "extreme" in finding.doubts
