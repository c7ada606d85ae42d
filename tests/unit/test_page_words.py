"""Numbers, ages and times as the page prints them."""

from zoneinfo import ZoneInfo

import pytest

from dashboard.words import age_text, clock_text, nominal, shown, span_text, unbroken
from monitor.quantities import QUANTITIES, Fault
from monitor.records import parse_iso

LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize(
    ("value", "quantity", "text"),
    [
        (12.634, "battery_voltage_V", "12.6 V"),
        (4.21, "battery_current_A", "+4.2 A"),
        (-4.21, "battery_current_A", "−4.2 A"),
        (-0.04, "battery_current_A", "0.0 A"),
        (0.04, "battery_current_A", "0.0 A"),
        (4.21, "load_current_A", "4.2 A"),
        (1240.4, "array_power_W", "1,240 W"),
        (-3.96, "battery_temperature_C", "−4.0 °C"),
        (0.724, "state_of_charge", "72 %"),
        (0.951, "conversion_efficiency", "95 %"),
        (1.234, "unseen_load_A", "about 1.2 A"),
        (412.4, "bank_capacity_Ah", "412 Ah"),
        (2, "charge_stage", "absorption"),
        (9, "charge_stage", "unknown code 9"),
        (0, "fault_bits", "none"),
        (
            Fault.BATTERY_UNDER_VOLTAGE | Fault.LOAD_DISCONNECTED,
            "fault_bits",
            "battery under voltage, load disconnected",
        ),
    ],
)
def test_a_value_reads_as_a_person_says_it(value, quantity, text):
    assert shown(value, quantity) == text


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_every_canonical_quantity_can_be_shown(quantity):
    unit = QUANTITIES[quantity].unit
    assert shown(1.0, quantity).endswith(unit)


@pytest.mark.parametrize(
    ("age_s", "text"),
    [
        (0, "now"),
        (4.9, "now"),
        (12, "12 s ago"),
        (59.9, "59 s ago"),
        (200, "3 min ago"),
        (5940, "99 min ago"),
        (3 * 3600 + 600, "3 h ago"),
        (30 * 3600 + 600, "30 h ago"),
        (3 * 86400, "3 days ago"),
        (-3, "now"),
        (-90, "1 min ahead"),
    ],
)
def test_an_age_is_told_in_the_unit_that_fits(age_s, text):
    assert age_text(age_s * 1000) == text


@pytest.mark.parametrize(("voltage_V", "text"), [(12.0, "12 V"), (25.6, "25.6 V"), (24.000000001, "24 V")])
def test_a_banks_voltage_is_told_as_it_stands_on_the_bank(voltage_V, text):
    """Eight cells of 3.2 V are 25.6 V and no '26 V'."""
    assert nominal(voltage_V) == text


def test_a_span_leaves_out_what_is_nothing():
    assert span_text((6 * 60 + 10) * 60_000) == "6 h 10 min"
    assert span_text(2 * 3600 * 1000) == "2 h"
    assert span_text(0) == "0 s"


@pytest.mark.parametrize(
    ("at", "text"),
    [
        ("2026-07-10T19:31:00Z", "20:31"),  # British Summer Time is UTC + 1
        ("2026-07-09T19:31:00Z", "Thu 20:31"),
        ("2026-07-03T19:31:00Z", "3 Jul 20:31"),
        ("2025-12-03T19:31:00Z", "3 Dec 2025 19:31"),
        ("2026-07-09T23:30:00Z", "00:30"),  # yesterday in UTC, today at the site
    ],
)
def test_times_are_the_sites_own(at, text):
    assert clock_text(parse_iso(at), parse_iso("2026-07-10T20:00:00Z"), LONDON) == text


def test_no_line_ends_between_a_number_and_its_unit():
    told = unbroken("The bank is 72 % charged (64 to 80 %) and gives 4.1 A, at 12.5 V in 3 steps.")
    assert told.replace("\N{NO-BREAK SPACE}", "~") == (
        "The bank is 72~% charged (64 to 80~%) and gives 4.1~A, at 12.5~V in 3 steps."
    )
    wide = unbroken("The bank is somewhere between 6 and 100 % charged.")
    assert "100\N{NO-BREAK SPACE}% charged" in wide
