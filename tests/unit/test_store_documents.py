"""Records come back from their documents as they were, whatever is in them."""

from __future__ import annotations

import json
from dataclasses import replace
from types import MappingProxyType

import pytest

from monitor.records import (
    AlarmState,
    Condition,
    DeviceHealth,
    Event,
    LogEntry,
    LogKind,
    Notice,
    Quality,
    Reading,
    Request,
    Transition,
)
from monitor.store.documents import (
    ChannelEnds,
    alarm_of,
    channels_document,
    channels_of,
    document_of,
    event_of,
    gaps_document,
    gaps_of,
    health_of,
    log_entry_of,
    notice_of,
    request_of,
    transition_of,
)

NOON = 1_795_521_600_000
ALARM = AlarmState(
    'Tür "offen"', Condition.SHELVED, NOON, "high", 11.3, "11.3 V\nbelow", NOON - 1, reason="x"
)
HEALTH = DeviceHealth("shunt", "hide:502", "silent", NOON, None, None, 5, MappingProxyType({"no answer": 3}))
EVENT = Event(NOON, "full", "", "The bank has met the signs of a full charge.")
FORMER = LogEntry(NOON, LogKind.WATER, "Topped up.", {"water_L": 1.2}, "Ada", NOON, id=7)
ENTRY = replace(FORMER, text="Topped up all.", former=(FORMER, replace(FORMER, by="Ben")))
NOTICE = Notice(NOON, "alarm", "Low voltage", "high", "phone", "Low", "11.2 V. Äh!", "due", NOON, id=7)
REQUEST = Request(NOON, "shelve", "Low voltage", {"for_s": 3600.0, "why": "x", "until": None}, "Ada", id=7)
TRANSITION = Transition(
    NOON,
    "Low voltage",
    Condition.NORMAL,
    Condition.LATCHED,
    "raised",
    "high",
    "x",
    {"a": 1.5, "b": None},
    id=7,
)


@pytest.mark.parametrize(
    ("record", "back"),
    [
        (ALARM, alarm_of),
        (HEALTH, health_of),
        (EVENT, event_of),
        (ENTRY, lambda text: log_entry_of(text, 7)),
        (NOTICE, lambda text: notice_of(text, 7)),
        (REQUEST, lambda text: request_of(text, 7)),
        (TRANSITION, lambda text: transition_of(text, 7)),
    ],
    ids=lambda each: type(each).__name__,
)
def test_a_record_comes_back_from_its_document_and_the_document_holds_no_number(record, back) -> None:
    document = document_of(record)
    assert back(document) == record
    assert '"id"' not in document


def test_a_devices_channels_come_back_by_quantity() -> None:
    missing = Reading(NOON, "shunt", "battery_current_A", None, Quality.MISSING, "no answer")
    ends = [
        ChannelEnds("shunt", "battery_current_A", NOON - 9, missing, None, None),
        ChannelEnds(
            "shunt",
            "battery_voltage_V",
            NOON - 9,
            Reading(NOON, "shunt", "battery_voltage_V", 79.0, Quality.SUSPECT, "jump"),
            NOON - 5,
            Reading(NOON - 1, "shunt", "battery_voltage_V", 12.345),
        ),
    ]
    document = channels_document(ends)
    assert channels_of(document, "shunt") == ends
    assert json.loads(document)["battery_voltage_V"] == {
        "first_ms": NOON - 9,
        "last": [NOON, 79.0, 1, "jump"],
        "good_first_ms": NOON - 5,
        "good": [NOON - 1, 12.345],
    }


def test_a_days_gaps_come_back() -> None:
    assert gaps_of(gaps_document([(1, 2), (3, 4)])) == ((1, 2), (3, 4))
    assert gaps_document(()) == "[]"
