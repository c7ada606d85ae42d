"""The main job on measured input: a real array's day, over a serial line at 9600 baud, to the phone.

The simulator plays the measured minutes; the charger answers on a pseudo-terminal with the pacing of a
wire, and the daemon's own devices and pipeline read it. What is stored, and what the page
shows of it, must be what was put in.
"""

from datetime import date

import pytest

from monitor.bank.ledger import day_ledger
from monitor.records import Quality, to_ms
from monitor.store.embedded import open_reader
from tests.browser.conftest import Hide
from tests.browser.measured_drive import drive

LEAST_EFFICIENCY, MOST_EFFICIENCY = 0.92, 0.98
"""The simulated converter's stated loss: 2 to 5 % over a day's range of powers, its own draw, no more."""


@pytest.fixture(scope="module")
def stored_day(tmp_path_factory, site_text):
    """The measured day after it went over the wire: (what was measured, reader, last truth, results)."""
    driven = drive(tmp_path_factory.mktemp("day"), site_text)
    with open_reader(driven.store_file) as reader:
        yield driven.day, reader, driven.truth, driven.results


def test_every_poll_of_the_day_was_answered(stored_day):
    _, _, _, results = stored_day
    failed = [result for result in results if result.error is not None]
    assert failed == []


def test_the_stored_harvest_is_the_measured_energy(stored_day):
    day, reader, _, _ = stored_day
    ledger = day_ledger(reader.days(date(2022, 3, 18), date(2022, 3, 18)), "shunt")
    print(f"measured {day.energy_Wh:.1f} Wh, stored harvest {ledger.harvest_Wh:.1f} Wh")
    assert ledger.harvest_Wh == pytest.approx(day.energy_Wh, rel=0.01)


def test_the_bank_side_got_it_less_the_stated_conversion_loss(stored_day):
    day, reader, _, _ = stored_day
    ledger = day_ledger(reader.days(date(2022, 3, 18), date(2022, 3, 18)), "shunt")
    print(f"charge over measured: {ledger.charge_Wh / day.energy_Wh:.4f}")
    assert LEAST_EFFICIENCY < ledger.charge_Wh / day.energy_Wh < MOST_EFFICIENCY


def test_array_watts_times_efficiency_are_charge_watts_within_the_displays_rounding(stored_day):
    # common practice, no source: what leaves a converter is what enters it times its efficiency
    day, reader, _, _ = stored_day
    names = [
        "array_power_W",
        "charge_power_W",
        "conversion_efficiency",
        "battery_voltage_V",
        "charge_current_A",
    ]
    checked = 0
    for _, row in reader.rows(names, to_ms(day.times[0]), to_ms(day.times[-1]) + 1):
        if "conversion_efficiency" not in row:
            continue
        checked += 1
        assert row["array_power_W"] * row["conversion_efficiency"] == pytest.approx(
            row["charge_power_W"], abs=0.05
        )
        # volts and amperes are shown to 0.01: half a step of each is what the product may be off
        rounding_W = 0.005 * (row["battery_voltage_V"] + row["charge_current_A"]) + 0.05
        volts_times_amperes = row["battery_voltage_V"] * row["charge_current_A"]
        assert volts_times_amperes == pytest.approx(row["charge_power_W"], abs=rounding_W)
    assert checked > 500


def test_the_last_stored_values_are_the_plants(stored_day):
    _, reader, truth, _ = stored_day
    latest = {(r.device, r.quantity): r for r in reader.latest()}
    for device, quantity, step in (
        ("shunt", "battery_voltage_V", 0.01),
        ("shunt", "battery_current_A", 0.01),
        ("charger", "array_voltage_V", 0.01),
        ("charger", "charge_current_A", 0.01),
        ("charger", "battery_temperature_C", 0.1),
    ):
        reading = latest[device, quantity]
        assert reading.quality is Quality.GOOD
        assert reading.value == pytest.approx(truth[quantity], abs=step), quantity


class MeasuredHide(Hide):
    """The page over the measured day's store."""

    def __init__(self, store_file):
        self.folder = store_file.parent
        site = (self.folder / "site.toml").read_text()
        super().__init__(self.folder)
        self.site_file.write_text(site)


@pytest.fixture
def measured(stored_day):
    """The page over the measured day; it outlives the visits to it."""
    _, reader, _, _ = stored_day
    hide = MeasuredHide(reader.path)
    hide.serve()
    yield hide
    hide.end()


def test_the_phone_shows_the_measured_energy(stored_day, measured, visit):
    day, _, _, _ = stored_day
    page = visit.open(measured)
    harvest_Wh = float(page.locator("[data-total=harvest_Wh]").get_attribute("data-value"))
    assert harvest_Wh == pytest.approx(day.energy_Wh, rel=0.01)
