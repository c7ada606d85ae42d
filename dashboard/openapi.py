"""The description of the addresses for other programs, after OpenAPI 3.1. Made when it is asked for.

tests/browser/test_api.py holds it against what is answered, with a tool that makes requests out of it.
"""

from __future__ import annotations

from typing import Any

from dashboard.asked import (
    DATE_PATTERN,
    MOST_DAYS,
    MOST_POINTS,
    MOST_RANGE_DAYS,
    TIME_PATTERN,
    USUAL_POINTS,
)
from dashboard.documents import ENTRY_KEYS, MOST_CHANGES
from dashboard.metrics import CONTENT_TYPE, QUALITIES
from monitor.day_rows import SKY_WORDS
from monitor.quantities import QUANTITIES, Stage
from monitor.records import Condition

Schema = dict[str, Any]

NUMBER: Schema = {"type": "number"}
MAYBE: Schema = {"type": ["number", "null"]}
TEXT: Schema = {"type": "string"}
TIME: Schema = {"type": "string", "format": "date-time"}
MAYBE_TIME: Schema = {"type": ["string", "null"], "format": "date-time"}
DAY: Schema = {"type": "string", "format": "date"}
FLAG: Schema = {"type": "boolean"}
COUNT: Schema = {"type": "integer", "minimum": 0}
SHARE: Schema = {"type": ["number", "null"], "minimum": 0, "maximum": 1}


def description() -> dict[str, Any]:
    """The whole of it."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Nightbank",
            "version": "1",
            "summary": "What the bank, the array and the alarms of one site do.",
            "description": (
                "Read-only. Units stand in the names (_V, _A, _W, _Wh, _Ah, _C); current into the bank is"
                " positive; times are UTC, dates local to the site, fractions 0 to 1. What is not known is"
                " null or left out, never zero. A value that is not given as the description says, or is not"
                " described, is refused."
            ),
        },
        "servers": [{"url": "/"}],
        "paths": {
            "/api/v1/latest": _path("latest", "What stands now", "Latest"),
            "/api/v1/range": _path(
                "range",
                "A quantity over time: minimum, mean and maximum of each bucket",
                "Range",
                _value("quantity", {"type": "string", "enum": list(QUANTITIES)}, "battery_voltage_V"),
                _time("from"),
                _time("to", told=f"After from, by at most {MOST_RANGE_DAYS} days."),
                _value(
                    "points",
                    {"type": "integer", "minimum": 1, "maximum": MOST_POINTS, "default": USUAL_POINTS},
                    USUAL_POINTS,
                    needed=False,
                    told="At most so many buckets.",
                ),
            ),
            "/api/v1/days": _path(
                "days",
                "What each local day brought",
                "Days",
                _date("from"),
                _date("to", told=f"Included; not before from, and at most {MOST_DAYS} days in all."),
            ),
            "/api/v1/outlook": _path("outlook", "The night ahead and the next days", "Outlook", missing=True),
            "/api/v1/alarms": _path(
                "alarms",
                "The alarms' states and, where from is given, their changes",
                "Alarms",
                _time("from", needed=False),
                _time("to", needed=False, told="After from; now where it is left out."),
            ),
            "/metrics": {
                "get": {
                    "operationId": "metrics",
                    "summary": "What stands now as OpenMetrics 1.0 text",
                    "responses": {
                        "200": {"description": "Metrics.", "content": {CONTENT_TYPE: {"schema": TEXT}}},
                        **_faults(),
                    },
                }
            },
        },
        "components": {"schemas": _schemas()},
    }


def _path(name: str, summary: str, schema: str, *parameters: Schema, missing: bool = False) -> Schema:
    """One address. missing: there may be nothing yet, which is 404."""
    return {
        "get": {
            "operationId": name,
            "summary": summary,
            "parameters": list(parameters),
            "responses": {"200": _answer("As asked.", schema), **_faults(missing=missing)},
        }
    }


def _faults(*, missing: bool = False) -> Schema:
    nothing_yet = {"404": _answer("There is none yet; the text says why.", "Error")} if missing else {}
    return {
        "400": _answer("The address asks for what cannot be; the text says what to write.", "Error"),
        **nothing_yet,
        "405": _answer("Only GET and HEAD are answered.", "Error"),
        "421": _answer("Asked under a name that is not this computer's.", "Error"),
        "401": _answer("The site file asks for the PIN before anything is shown.", "Error"),
        "503": _answer("The store cannot be read; the text says why.", "Error"),
    }


def _answer(told: str, schema: str) -> Schema:
    content = {"application/json": {"schema": {"$ref": f"#/components/schemas/{schema}"}}}
    return {"description": told, "content": content}


def _value(name: str, schema: Schema, example: Any, *, needed: bool = True, told: str = "") -> Schema:
    found = {"name": name, "in": "query", "required": needed, "schema": schema, "example": example}
    return found | ({"description": told} if told else {})


def _time(name: str, *, needed: bool = True, told: str = "") -> Schema:
    example = "2026-11-25T18:00:00Z" if name == "from" else "2026-11-25T20:00:00Z"
    return _value(name, {"type": "string", "pattern": TIME_PATTERN}, example, needed=needed, told=told)


def _date(name: str, *, told: str = "") -> Schema:
    example = "2026-11-12" if name == "from" else "2026-11-25"
    return _value(name, {"type": "string", "pattern": DATE_PATTERN}, example, told=told)


def _object(needed: Schema, perhaps: Schema | None = None) -> Schema:
    """An object that has all of needed, may have what is in perhaps, and nothing else."""
    return {
        "type": "object",
        "properties": needed | (perhaps or {}),
        "required": list(needed),
        "additionalProperties": False,
    }


def _list(of: Schema) -> Schema:
    return {"type": "array", "items": of}


def _schemas() -> Schema:
    band = _object({"p10": NUMBER, "p50": NUMBER, "p90": NUMBER})
    span = _object({"from": TIME, "to": TIME})
    return {
        "Error": _object({"error": {"type": "string", "description": "What is wrong and what to do."}}),
        "Latest": _object(
            {
                "time": TIME,
                "time_known": {
                    "type": "boolean",
                    "description": "Where false nobody has told the time; it is the earliest then.",
                },
                "site": TEXT,
                "quantities": {
                    "type": "object",
                    "propertyNames": {"enum": list(QUANTITIES)},
                    "additionalProperties": _reading(),
                },
                "stage": {"enum": [*(stage.name.lower() for stage in Stage), None]},
                "basis": _list(TEXT) | {"description": "What the charge rests on."},
                "devices": _list(_device()),
            }
        ),
        "Range": _object(
            {
                "quantity": {"enum": list(QUANTITIES)},
                "unit": TEXT,
                "from": TIME,
                "to": TIME,
                "buckets": _list(_bucket())
                | {"description": "Of about equal width; in long ranges of whole hours or local days."},
                "gaps": _list(span) | {"description": "Where no reading came."},
            }
        ),
        "Days": _object({"from": DAY, "to": DAY, "time_zone": TEXT, "days": _list(_day())}),
        "Outlook": {
            "type": "object",
            "description": "As `nightbank outlook --json` prints it; at says of when it is.",
            "required": ["at", "sentence", "soc_min", "crosses_reserve_probability", "course", "days"],
            "properties": {
                "at": TIME,
                "sentence": TEXT,
                "soc_min": band,
                "crosses_reserve_probability": SHARE,
                "crosses_disconnect_probability": SHARE,
                "array_helps_from": MAYBE_TIME,
                "course": _list({"type": "object", "properties": {"time": TIME, "soc": band}}),
                "days": _list({"type": "object", "properties": {"from": TIME, "soc_min": band}}),
            },
        },
        "Alarms": _object(
            {"alarms": _list(_alarm())},
            {
                "changes": _list(_change()) | {"maxItems": MOST_CHANGES},
                "complete": FLAG | {"description": "Whether all changes of the span are among them."},
            },
        ),
    }


def _reading() -> Schema:
    return _object(
        {
            "time": TIME,
            "value": MAYBE,
            "unit": TEXT,
            "age_s": NUMBER,
            "quality": {"enum": list(QUALITIES)},
            "device": TEXT,
        },
        {"reason": TEXT},
    )


def _device() -> Schema:
    return _object(
        {
            "name": TEXT,
            "connection": TEXT,
            "state": TEXT,
            "since": TIME,
            "last_good": MAYBE_TIME,
            "round_trip_ms": MAYBE,
            "polls": COUNT,
            "errors": {"type": "object", "additionalProperties": COUNT},
            "last_error": TEXT,
            "remark": TEXT,
        }
    )


def _bucket() -> Schema:
    mean = MAYBE | {"description": "null for codes, which have none."}
    return _object({"from": TIME, "to": TIME, "count": COUNT, "min": NUMBER, "mean": mean, "max": NUMBER})


def _day() -> Schema:
    return _object(
        {
            "date": DAY,
            "read": FLAG | {"description": "Whether there are readings of the day."},
            "judged": FLAG | {"description": "Whether the day's sky is worked out yet."},
            "sky": {"enum": [*(sky for sky in SKY_WORDS if sky != "none"), None]},
            "harvest_Wh": MAYBE,
            "clear_sky_Wh": MAYBE,
            "unused_Wh": MAYBE,
            "used_Wh": MAYBE,
            "battery_voltage_min_V": MAYBE,
            "lowest_soc": SHARE,
            "full": {"type": ["boolean", "null"]},
            **dict.fromkeys(ENTRY_KEYS, MAYBE),
        }
    )


def _alarm() -> Schema:
    return _object(
        {
            "name": TEXT,
            "state": {"enum": list(Condition)},
            "stands": FLAG,
            "priority": TEXT,
            "since": TIME,
            "raised": MAYBE_TIME,
            "shelved_until": MAYBE_TIME,
            "first_out": FLAG,
            "text": TEXT,
            "value": MAYBE,
            "quantity": TEXT,
            "condition": {"enum": ["below", "above"]},
            "set_point": NUMBER,
            "do_first": TEXT,
            "caution": TEXT,
            "reason": TEXT,
        }
    )


def _change() -> Schema:
    return _object(
        {
            "time": TIME,
            "alarm": TEXT,
            "before": {"enum": list(Condition)},
            "after": {"enum": list(Condition)},
            "cause": TEXT,
            "priority": TEXT,
            "text": TEXT,
            "values": {"type": "object", "additionalProperties": MAYBE},
            "by": TEXT,
        }
    )
