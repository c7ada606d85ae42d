"""The rules that every site starts with, scaled to its bank, its controller and its devices.

Each limit names its source; makers' documents are those of `bank/tables.py`. Delays are our choice
throughout: long enough that a passing state is no alarm, short against what the alarm is about.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from monitor import cautions
from monitor.alarms.rule import Rule
from monitor.bank.health import FULL_BY_DAYS
from monitor.outlook import WARN_PROBABILITY
from monitor.site.model import Site

LOW_VOLTAGE_PER_CELL = {"flooded": 1.95, "agm": 1.95, "gel": 1.95, "lifepo4": 3.125}
"""Without the present load's drop. Lead-acid: about 22 % charge by a maker's rest voltages, and the upper end
of the disconnect range of a newer battery manual (1.90 to 1.95). LiFePO4: 12.5 V of four cells at rest is
about 14 % charge (maker-type chart, from memory)."""

HOT_BANK_C = {"flooded": 45.0, "agm": 45.0, "gel": 45.0, "lifepo4": 43.0}
"""Our choice below the 50 °C at which makers of lead-acid stop charging, and LiFePO4's 45 °C charge limit
(both from memory, no source seen)."""

HOT_CONTROLLER_C = 75.0
"""Our choice: hotter than a healthy controller in a cabinet, cooler than where most begin to derate."""

NEAR_DISCONNECT_PER_CELL = 0.025
"""0.15 V on 12 V (our choice: ten to thirty minutes of a usual evening's load on a nearly empty bank)."""

LEAST_SUPPLY_MARGIN_PER_CELL = 0.01
"""0.06 V on 12 V (our choice: late, since a halt costs the hours until the supply has gone and come back)."""

FREEZING_MARGIN_C = 3.0
"""Warned so far above the freezing point (our choice: the probe sits outside of the plates, and a cold night
takes a bank a degree or two an hour at most)."""

OVER_VOLTAGE_PER_CELL = {"flooded": 0.04, "agm": 0.04, "gel": 0.04, "lifepo4": 0.05}
"""Beyond the highest set point (our choice: 0.24 V on 12 V, some times what meters and controllers are off
by; LiFePO4 at 3.60 V is then still below the 3.65 V at which cells end, from memory)."""

NO_DAYLIGHT_SHARE = 0.01
"""Under the thickest cloud an array still gives some 3 to 5 % of a clear sky (common practice, no source)."""

RUNAWAY_C = 2.0
"""Rise of the bank's temperature within two hours beside a held voltage and a current that rises (our choice;
that both rise together is the sign of thermal runaway: common practice, no source)."""

TEST_ENDS_H = 0.25
"""A capacity test calls so long before its end (our choice: the way to the bank)."""

SILENT_S = 300.0
"""Longer than a cable is changed or a controller starts anew (our choice)."""

SILENT_POLLS = 3

LEAST_FREE_MB = 200.0
"""Our choice: two years of a two-device site's readings (4.5 bytes a value) are about as much."""

HOT_COMPUTER_C = 80.0
"""Where the Raspberry Pi's processor begins to slow down (its documentation, from memory)."""

DARK_MIN = 5.0
"""A longer silence before the start is told as dark time, as the service's own word is (our choice)."""


SUPPLY_ENDS = "Supply about to end"
"""The rule that a halt waits for (`monitor/power`)."""


def shipped_rules(site: Site) -> list[Rule]:
    """The shipped rules of a site with its set points filled in."""
    return [
        *_charge_rules(site),
        *_temperature_rules(site),
        *_charging_rules(site),
        *_test_rules(site),
        *_watch_rules(site),
    ]


def _charge_rules(site: Site) -> Iterator[Rule]:
    cells = site.bank.cells_in_series
    yield Rule(
        "Low voltage", "unloaded_voltage_V", "below",
        round(LOW_VOLTAGE_PER_CELL[site.bank.chemistry] * cells, 2), deadband=round(0.05 * cells, 3),
        on_delay_s=120, off_delay_s=300, priority="high",
        do_first="Switch off what can wait until the sun is back.",
    )  # fmt: skip
    if site.bank.reserve_soc > 0:
        yield Rule(
            "Low charge", "charge_at_most", "below", site.bank.reserve_soc, deadband=0.05,
            on_delay_s=900, off_delay_s=900, priority="high",
            do_first="Switch off what can wait; keep the largest load off until the bank has charged.",
        )  # fmt: skip
        yield Rule(
            "Will be low before morning", "low_before_morning", "above", WARN_PROBABILITY, deadband=0.1,
            on_delay_s=0, off_delay_s=1800, priority="high",
            do_first="Switch off a lamp or two now; it helps more than at midnight.",
        )  # fmt: skip
    if site.controller is not None and site.controller.disconnect_V is not None:
        yield Rule(
            "Near the disconnect", "disconnect_margin_V", "below", round(NEAR_DISCONNECT_PER_CELL * cells, 3),
            deadband=round(0.025 * cells, 3), on_delay_s=60, off_delay_s=300, priority="urgent",
            do_first="Switch off every load that can wait now, or the controller will.",
        )  # fmt: skip
    computer = site.computer
    if computer.supply_ends_V is not None or (computer.halt and site.supply_ends_V is not None):
        margin_V = _supply_margin_V(site)
        yield Rule(
            SUPPLY_ENDS, "supply_margin_V", "below", margin_V, deadband=margin_V,
            on_delay_s=120, off_delay_s=60, priority="urgent",
            do_first="Switch off every load that can wait now, or the monitor goes dark.",
        )  # fmt: skip


def _supply_margin_V(site: Site) -> float:
    """How far above the end of the supply the rule speaks: never nearer than the meters can tell."""
    ends_V, meters = site.supply_ends_V or 0.0, site.meters
    unsure_V = meters.voltage_step_V + meters.voltage_gain_tolerance * ends_V
    return round(max(LEAST_SUPPLY_MARGIN_PER_CELL * site.bank.cells_in_series, unsure_V), 3)


def _temperature_rules(site: Site) -> Iterator[Rule]:
    lithium = site.bank.chemistry == "lifepo4"
    caution = cautions.LITHIUM_BRIEFLY if lithium else cautions.ACID_BRIEFLY
    yield Rule(
        "Bank too hot", "battery_temperature_C", "above", HOT_BANK_C[site.bank.chemistry], deadband=3,
        on_delay_s=300, off_delay_s=300, priority="high", caution=caution,
        do_first="Open the array's disconnect and let air to the bank.",
    )  # fmt: skip
    yield Rule(
        "Controller too hot", "controller_temperature_C", "above", HOT_CONTROLLER_C, deadband=5,
        on_delay_s=300, off_delay_s=300, priority="medium", caution=cautions.ORDER_BRIEFLY,
        do_first="Give the controller air and shade.",
    )  # fmt: skip
    yield Rule(
        "Charging a cold bank", "cold_charging_C", "below", 0, deadband=1,
        on_delay_s=60, off_delay_s=300, priority="urgent",
        caution=cautions.LITHIUM_BRIEFLY if lithium else cautions.FROZEN_BRIEFLY,
        do_first="Open the array's disconnect until the bank is warmer.",
    )  # fmt: skip
    if not lithium:
        yield Rule(
            "Electrolyte may freeze", "freezing_margin_C", "below", FREEZING_MARGIN_C, deadband=2,
            on_delay_s=1800, off_delay_s=1800, priority="high", caution=cautions.FROZEN_BRIEFLY,
            do_first="Charge the bank before its acid freezes, or keep it warm.",
        )  # fmt: skip


def _charging_rules(site: Site) -> Iterator[Rule]:
    cells, lithium = site.bank.cells_in_series, site.bank.chemistry == "lifepo4"
    caution = cautions.LITHIUM_BRIEFLY if lithium else cautions.ACID_BRIEFLY
    if site.controller is not None:
        yield Rule(
            "Voltage too high", "over_voltage_V", "above",
            round(OVER_VOLTAGE_PER_CELL[site.bank.chemistry] * cells, 3), deadband=round(0.02 * cells, 3),
            on_delay_s=60, off_delay_s=120, priority="urgent", caution=caution,
            do_first="Open the array's disconnect, then look at the controller's set points.",
        )  # fmt: skip
        yield Rule(
            "Thermal runaway", "runaway_C", "above", RUNAWAY_C, deadband=1,
            on_delay_s=0, off_delay_s=1800, priority="urgent", caution=caution, latching=True,
            do_first="Open the array's disconnect and keep away until the bank has cooled.",
        )  # fmt: skip
    if site.array is not None:
        yield Rule(
            "No charge in daylight", "daylight_share", "below", NO_DAYLIGHT_SHARE, deadband=0.01,
            on_delay_s=7200, off_delay_s=600, priority="high", caution=cautions.ARRAY_BRIEFLY,
            do_first="Look whether the array's disconnect is open, then for snow or a blown fuse.",
        )  # fmt: skip
        if not lithium:
            yield Rule(
                "No full charge", "days_since_full", "above", FULL_BY_DAYS, deadband=1,
                on_delay_s=0, off_delay_s=0, priority="medium",
                do_first="Use less for some sunny days, so that the bank gets full once.",
            )  # fmt: skip


def _test_rules(site: Site) -> Iterator[Rule]:
    """Where a capacity can be tested: who has begun a test is called for it, whatever the hour."""
    if site.bank.chemistry == "lifepo4" or site.metering.level == "charging":
        return
    yield Rule(
        "End the capacity test", "test_left_h", "below", TEST_ENDS_H, deadband=TEST_ENDS_H,
        on_delay_s=120, off_delay_s=300, priority="urgent",
        do_first="Switch all loads off and let the bank rest for 6 hours.",
    )  # fmt: skip
    first = "Close the array's disconnect and charge" if site.array is not None else "Charge"
    yield Rule(
        "Capacity test over", "test_waits_h", "above", 0, 0, on_delay_s=0, off_delay_s=0, priority="high",
        do_first=f"{first} the bank full now: it must not stand empty.",
    )  # fmt: skip


def _watch_rules(site: Site) -> Iterator[Rule]:
    lines = lines_of(site)
    silent: dict[str, Any] = {"beyond": "above", "deadband": 0, "on_delay_s": 0, "off_delay_s": 60}
    for devices in lines.values():
        if len(devices) > 1:
            subject = ", ".join(devices)
            yield Rule(
                f"Line silent: {subject}"[:120], "line_silence_s", set_point=SILENT_S, priority="high",
                subject=subject, do_first="Look at the adapter and its cable: all devices on it are silent.",
                **silent,
            )  # fmt: skip
    for device in site.devices:
        yield Rule(
            f"Device silent: {device.name}", "silence_s",
            set_point=max(SILENT_S, SILENT_POLLS * site.slowest_every_s(device)), priority="high",
            subject=device.name,
            do_first="Look at its cable and whether the device has power.", **silent,
        )  # fmt: skip
    yield Rule(
        "Reading implausible", "implausible_readings", "above", 0, 0, on_delay_s=600, off_delay_s=600,
        priority="medium", do_first="Look at the probe or wire that this reading comes from.",
    )  # fmt: skip
    yield Rule(
        "Clock not trusted", "clock_doubt", "above", 0, 0, on_delay_s=600, off_delay_s=0, priority="medium",
        do_first="Let the monitor take a phone's time (page Care), or bring the computer to a network once.",
    )  # fmt: skip
    yield Rule(
        "Store not written", "unwritten_s", "above", 120, 0, on_delay_s=0, off_delay_s=0, priority="high",
        do_first="Make room on the card; if it does not help, replace the card.",
    )  # fmt: skip
    yield Rule(
        "Card nearly full", "free_space_MB", "below", LEAST_FREE_MB, LEAST_FREE_MB / 2, on_delay_s=300,
        off_delay_s=300, priority="medium", do_first="Make room on the card that holds the store.",
    )  # fmt: skip
    yield Rule(
        "Computer under-voltage", "computer_under_voltage", "above", 0, 0, on_delay_s=60, off_delay_s=600,
        priority="medium", do_first="Look at the computer's converter and the thickness of its wire.",
    )  # fmt: skip
    yield Rule(
        "Computer too hot", "computer_temperature_C", "above", HOT_COMPUTER_C, 5, on_delay_s=300,
        off_delay_s=300, priority="medium", do_first="Give the computer air and shade.",
    )  # fmt: skip
    yield Rule(
        "Monitor was dark", "dark_min", "above", DARK_MIN, 0, on_delay_s=0, off_delay_s=0, priority="medium",
        do_first="Look whether the computer loses its supply when the bank is low.",
    )  # fmt: skip


def lines_of(site: Site) -> dict[tuple[str, ...], list[str]]:
    """The names of the devices on each line."""
    lines: dict[tuple[str, ...], list[str]] = {}
    for device in site.devices:
        wire = (
            (device.port or "",)
            if device.connection == "serial"
            else (device.host or "", str(device.tcp_port))
        )
        lines.setdefault((device.connection, *wire), []).append(device.name)
    return lines
