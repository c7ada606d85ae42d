"""What stands now as OpenMetrics 1.0 text, for programs that ask again and again and keep what they get.

Names begin with nightbank_ and end with the unit, as the standard's text format wants (OpenMetrics 1.0,
'Units and Base Units': volts, amperes, celsius, ratios, seconds). A value that may not be taken as the
present one is left out, and nightbank_reading_quality says why; ages are told instead of times, because the
clock of a computer without network may be off.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard.snapshot import outlook_of
from monitor.present import Look, Standing, quality_of, standing_now, told_of
from monitor.quantities import QUANTITIES, Fault, Stage
from monitor.records import AlarmState, DeviceHealth, Heartbeat, parse_iso
from monitor.site.model import Site
from monitor.store.base import StoreReader
from monitor.store.heartbeat import read_heartbeat
from monitor.store.steps import CODES

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

UNITS = {"V": "volts", "A": "amperes", "W": "watts", "C": "celsius", "Ah": "ampere_hours"}
"""Endings of our quantities and the unit as the standard writes it. Watts and ampere-hours are no base units
of the standard, but what is measured and rated here; it allows them where a conversion would mislead."""

SHARE = "ratio"
"""The unit of what lies between 0 and 1."""

QUALITIES = tuple(quality_of(look) for look in Look)

Labels = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Family:
    """One metric: name, kind ('gauge', 'counter', 'stateset'), unit ('' for none), help, labelled values."""

    name: str
    kind: str
    unit: str
    told: str
    samples: Sequence[tuple[Labels, float]]


def metrics_text(site: Site, reader: StoreReader) -> str:
    """The whole answer. Raises StoreError."""
    standing = standing_now(site, reader)
    described = {device.name for device in site.devices}
    health = [each for each in reader.health() if each.device in described]
    families = [
        *reading_families(site, standing),
        *alarm_families(reader.alarms()),
        *device_families(health),
        *daemon_families(read_heartbeat(reader), standing.now.time_ms),
        *outlook_families(outlook_of(reader), standing.now.time_ms),
    ]
    return exposition(families)


def reading_families(site: Site, standing: Standing) -> Iterator[Family]:
    """A metric for each quantity that can be told of the site, then quality and age of all."""
    told = told_of(site)
    for name in told:
        if name not in CODES:
            family, unit = metric_name(name)
            value = standing.live(name)
            samples = [] if value is None else [({"device": standing.readings[name].device}, value)]
            yield Family(family, "gauge", unit, QUANTITIES[name].meaning, samples)
    if standing.stage is not None:
        yield _states(
            "nightbank_charge_stage",
            "charge stage of the controller",
            [({}, standing.stage, [stage.name.lower() for stage in Stage])],
        )
    faults = standing.live("fault_bits")
    if faults is not None:
        bits = Fault(int(faults))
        yield Family(
            "nightbank_device_fault",
            "gauge",
            "",
            "1 where a device reports the fault",
            [({"fault": str(fault.name).lower()}, float(fault in bits)) for fault in Fault],
        )
    there = [name for name in told if name in standing.readings]
    yield _states(
        "nightbank_reading_quality",
        "how the newest reading of a quantity may be taken",
        [({"quantity": name}, quality_of(standing.looks[name]), QUALITIES) for name in there],
    )
    now_ms = standing.now.time_ms
    yield Family(
        "nightbank_reading_age_seconds",
        "gauge",
        "seconds",
        "age of the newest reading of a quantity",
        [({"quantity": name}, (now_ms - standing.readings[name].time_ms) / 1000) for name in there],
    )


def metric_name(quantity: str) -> tuple[str, str]:
    """Name and unit of a quantity's metric: battery_voltage_V is nightbank_battery_voltage_volts."""
    stem, _, ending = quantity.rpartition("_")
    if not QUANTITIES[quantity].unit:
        return f"nightbank_{quantity}_{SHARE}", SHARE
    return f"nightbank_{stem}_{UNITS[ending]}", UNITS[ending]


def alarm_families(states: Sequence[AlarmState]) -> Iterator[Family]:
    """Which alarms stand."""
    yield Family(
        "nightbank_alarm_standing",
        "gauge",
        "",
        "1 where an alarm stands, 0 where it is watched without a cause or set aside",
        [({"alarm": state.name, "priority": state.priority}, float(state.stands)) for state in states],
    )


def device_families(health: Sequence[DeviceHealth]) -> Iterator[Family]:
    """How the devices answer."""
    yield Family(
        "nightbank_device_answering",
        "gauge",
        "",
        "1 where a device answers, 0 where it is silent",
        [({"device": each.device}, float(each.state == "answering")) for each in health],
    )
    yield Family(
        "nightbank_device_polls",
        "counter",
        "",
        "how often a device was asked",
        [({"device": each.device}, each.polls) for each in health],
    )
    yield Family(
        "nightbank_device_errors",
        "counter",
        "",
        "polls without a usable answer",
        [
            ({"device": each.device, "kind": kind}, count)
            for each in health
            for kind, count in sorted(each.errors.items())
        ],
    )


def daemon_families(beat: Heartbeat | None, now_ms: int) -> Iterator[Family]:
    """Whether somebody is watching: nothing where no daemon ever ran."""
    if beat is None:
        return
    yield Family(
        "nightbank_heartbeat_age_seconds",
        "gauge",
        "seconds",
        "since the monitor last wrote to its store",
        [({}, (now_ms - beat.time_ms) / 1000)],
    )
    yield Family(
        "nightbank_monitor_stopped",
        "gauge",
        "",
        "1 where the monitor was stopped, 0 where it was not",
        [({}, float(beat.stopped_ms is not None))],
    )


def outlook_families(outlook: Mapping[str, Any] | None, now_ms: int) -> Iterator[Family]:
    """The night ahead: nothing where no outlook was made; its age says how far it can be taken."""
    if outlook is None:
        return
    yield Family(
        "nightbank_outlook_age_seconds",
        "gauge",
        "seconds",
        "age of the newest outlook",
        [({}, (now_ms - parse_iso(outlook["at"])) / 1000)],
    )
    for name, key, told in (
        ("reserve", "crosses_reserve_probability", "the charge falls below the reserve"),
        ("disconnect", "crosses_disconnect_probability", "the voltage falls to the controller's disconnect"),
    ):
        if outlook.get(key) is not None:
            yield Family(
                f"nightbank_outlook_crosses_{name}_ratio",
                "gauge",
                SHARE,
                f"probability that {told} before the array helps again",
                [({}, outlook[key])],
            )
    yield Family(
        "nightbank_outlook_lowest_charge_ratio",
        "gauge",
        SHARE,
        "lowest charge expected before the array helps again, by percentile",
        [({"percentile": key.removeprefix("p")}, share) for key, share in outlook["soc_min"].items()],
    )


def exposition(families: Iterable[Family]) -> str:
    """Families as OpenMetrics 1.0 text. One without a value is left out."""
    lines = []
    for family in families:
        if not family.samples:
            continue
        lines += [f"# TYPE {family.name} {family.kind}"]
        lines += [f"# UNIT {family.name} {family.unit}"] if family.unit else []
        lines += [f"# HELP {family.name} {_escaped(family.told)}"]
        name = f"{family.name}_total" if family.kind == "counter" else family.name
        lines += [f"{name}{_labels(labels)} {_number(value)}" for labels, value in family.samples]
    return "\n".join([*lines, "# EOF", ""])


def _states(name: str, told: str, each: Iterable[tuple[Labels, str, Sequence[str]]]) -> Family:
    """A set of states of which one is true: the label of each has the metric's own name."""
    samples = [
        ({**labels, name: state}, float(state == true)) for labels, true, all_states in each
        for state in all_states
    ]  # fmt: skip
    return Family(name, "stateset", "", told, samples)


def _labels(labels: Labels) -> str:
    told = ",".join(f'{name}="{_escaped(text)}"' for name, text in labels.items())
    return f"{{{told}}}" if told else ""


def _escaped(text: str) -> str:
    """Backslash, line end and quotation mark as the format writes them."""
    return text.replace("\\", r"\\").replace("\n", r"\n").replace('"', r"\"")


def _number(value: float) -> str:
    """Without the digits that a float adds; a count in full."""
    return str(value) if isinstance(value, int) else f"{value:.10g}"
