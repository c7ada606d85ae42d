"""The OpenMetrics text, read back by another library's strict parser of that format (prometheus-client)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from dashboard.metrics import Family, exposition, metric_name, metrics_text
from monitor.clock import SystemClock
from monitor.outlook import OUTLOOK_NOTE
from monitor.quantities import QUANTITIES
from monitor.records import AlarmState, DeviceHealth, Heartbeat, Quality, Reading
from monitor.site.load import load_site
from monitor.store.embedded import open_writer
from monitor.store.heartbeat import write_heartbeat
from tests.unit.outlooks_told import whole_outlook
from tests.unit.site_files import MARSH_HIDE, write

BASE_UNITS = {"volts", "amperes", "celsius", "ratio", "seconds"}
"""OpenMetrics 1.0, 'Units and Base Units' (those that occur here)."""

OF_THE_TRADE = {"watts", "ampere_hours"}
"""No base units; the standard allows a unit that is given by what is measured."""


@pytest.fixture
def store(tmp_path):
    with open_writer(tmp_path / "store.db", "Europe/London") as writer:
        yield writer


@pytest.fixture
def site(tmp_path):
    return load_site(write(tmp_path, MARSH_HIDE))


def now_ms():
    return SystemClock().now_ms()


def read_back(text):
    """The samples by name and labels, and the families by name."""
    families = {family.name: family for family in text_string_to_metric_families(text)}
    samples = {
        (sample.name, *sorted(sample.labels.items())): sample.value
        for family in families.values()
        for sample in family.samples
    }
    return samples, families


def test_a_store_with_everything_is_read_back(store, site):
    at = now_ms() - 5000
    store.rank_devices(["charger"])
    store.append(
        [
            Reading(at, "charger", "battery_voltage_V", 12.47),
            Reading(at, "derived", "battery_current_A", -4.25),
            Reading(at, "charger", "charge_stage", 2.0),
            Reading(at, "charger", "fault_bits", 2.0),
            Reading(at, "charger", "battery_temperature_C", 120.0, Quality.SUSPECT, "beyond 90 °C"),
            Reading(at - 3_600_000, "charger", "array_power_W", 14.0),
            Reading(at, "estimate", "state_of_charge", 0.72),
        ]
    )
    store.put_alarm(AlarmState("Low voltage", "acknowledged", at, "high", 11.5, "11.5 V", at))
    store.put_alarm(AlarmState("Near disconnect", "normal", at, "urgent", None, ""))
    store.put_health(
        DeviceHealth("charger", "9600 baud", "answering", at, at, 80.0, 7200, {"no answer": 3, "echo": 1})
    )
    store.put_health(DeviceHealth("sold one", "9600 baud", "silent", at, at, 80.0, 5))
    write_heartbeat(store, Heartbeat(at, at - 10_000, None))
    outlook = whole_outlook(
        at="2026-11-25T18:00:00Z",
        crosses_reserve_probability=0.12,
        crosses_disconnect_probability=None,
        soc_min={"p10": 0.41, "p50": 0.52, "p90": 0.6},
    )
    store.put_note(OUTLOOK_NOTE, outlook)
    store.commit()
    samples, families = read_back(metrics_text(site, store))
    assert samples["nightbank_battery_voltage_volts", ("device", "charger")] == 12.47
    assert samples["nightbank_battery_current_amperes", ("device", "derived")] == -4.25
    assert samples["nightbank_state_of_charge_ratio", ("device", "estimate")] == 0.72
    assert samples["nightbank_charge_stage", ("nightbank_charge_stage", "absorption")] == 1
    assert samples["nightbank_charge_stage", ("nightbank_charge_stage", "float")] == 0
    assert samples["nightbank_device_fault", ("fault", "battery_under_voltage")] == 1
    assert samples["nightbank_device_fault", ("fault", "load_disconnected")] == 0
    assert samples["nightbank_alarm_standing", ("alarm", "Low voltage"), ("priority", "high")] == 1
    assert samples["nightbank_alarm_standing", ("alarm", "Near disconnect"), ("priority", "urgent")] == 0
    assert samples["nightbank_device_polls_total", ("device", "charger")] == 7200
    assert samples["nightbank_device_errors_total", ("device", "charger"), ("kind", "no answer")] == 3
    assert ("nightbank_device_polls_total", ("device", "sold one")) not in samples
    assert samples[("nightbank_heartbeat_age_seconds",)] == pytest.approx(5, abs=3)
    assert samples[("nightbank_monitor_stopped",)] == 0
    assert samples[("nightbank_outlook_crosses_reserve_ratio",)] == 0.12
    assert "nightbank_outlook_crosses_disconnect_ratio" not in families
    assert samples["nightbank_outlook_lowest_charge_ratio", ("percentile", "10")] == 0.41
    assert families["nightbank_device_polls"].type == "counter"
    assert families["nightbank_charge_stage"].type == "stateset"
    assert families["nightbank_battery_voltage_volts"].documentation == "bank terminal voltage"


def test_a_value_that_is_not_the_present_one_is_left_out_and_told_why(store, site):
    at = now_ms() - 5000
    store.append(
        [
            Reading(at, "charger", "battery_temperature_C", 120.0, Quality.SUSPECT, "beyond 90 °C"),
            Reading(at - 3_600_000, "charger", "array_power_W", 14.0),
            Reading(at, "charger", "load_current_A", None, Quality.MISSING, "not available"),
        ]
    )
    store.commit()
    samples, families = read_back(metrics_text(site, store))
    assert not {"nightbank_battery_temperature_celsius", "nightbank_array_power_watts"} & set(families)
    quality = {
        labels[1][1]: labels[0][1]
        for (name, *labels), value in samples.items()
        if name == "nightbank_reading_quality" and value == 1
    }
    assert quality == {
        "battery_temperature_C": "suspect",
        "array_power_W": "stale",
        "load_current_A": "missing",
    }
    age_s = samples["nightbank_reading_age_seconds", ("quantity", "array_power_W")]
    assert age_s == pytest.approx(3605, abs=3)


def test_an_empty_store_has_an_empty_answer(store, site):
    assert metrics_text(site, store) == "# EOF\n"


@pytest.mark.parametrize("quantity", sorted(set(QUANTITIES) - {"charge_stage", "fault_bits"}))
def test_every_quantitys_metric_ends_with_its_unit(quantity):
    name, unit = metric_name(quantity)
    assert name.startswith("nightbank_")
    assert name.endswith(f"_{unit}")
    assert unit in BASE_UNITS | OF_THE_TRADE


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_any_name_of_an_alarm_comes_back_as_it_was(name):
    text = exposition([Family("nightbank_alarm_standing", "gauge", "", "x", [({"alarm": name}, 1.0)])])
    (sample,) = next(iter(text_string_to_metric_families(text))).samples
    assert sample.labels == {"alarm": name}
