"""What Dash's scripts send to have a part of the page renewed, checked before Dash takes it. Pure.

Dash believes what its scripts send: a body of another shape ends in one of its own errors. Only bodies that
name one of our callbacks with exactly its inputs go through; what they may hold as values the callback knows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

KEYS = {"output", "outputs", "inputs", "state", "changedPropIds", "parsedChangedPropsIds"}

COUNTERS = ("n_clicks",)
MOST_COUNTED = 1e9
"""More taps than a life has seconds for."""


def is_ours(body: Any, callbacks: Mapping[str, Mapping[str, Any]]) -> bool:
    """Whether a body asks for one of our callbacks (Dash's own map of them) as our scripts do."""
    if not isinstance(body, dict) or not KEYS.issuperset(body) or not isinstance(body.get("output"), str):
        return False
    known = callbacks.get(body["output"])
    if known is None or not _are(body.get("outputs"), _outputs(body["output"])):
        return False
    inputs: Any = body.get("inputs")
    states: Any = body.get("state", [])
    if not (_are(inputs, known["inputs"]) and _are(states, known["state"])):
        return False
    if not all(_may_hold(each) for each in (*inputs, *states)):
        return False
    names = {f"{each['id']}.{each['property']}" for each in inputs}
    changed = body.get("changedPropIds", [])
    return isinstance(changed, list) and all(isinstance(each, str) and each in names for each in changed)


def _outputs(output: str) -> list[dict[str, str]]:
    """What a callback's name says of its outputs: 'a.children', or '..a.children...b.children..'."""
    names = output[2:-2].split("...") if output.startswith("..") else [output]
    return [dict(zip(("id", "property"), name.rsplit(".", 1), strict=True)) for name in names]


def _are(sent: Any, expected: Any) -> bool:
    """Whether a list of properties is the expected one. One output may stand for itself."""
    listed = [sent] if isinstance(sent, dict) else sent
    return (
        isinstance(listed, list)
        and len(listed) == len(expected)
        and all(
            isinstance(one, dict)
            and {"id", "property"} <= one.keys() <= {"id", "property", "value"}
            and (one["id"], one["property"]) == (other["id"], other["property"])
            for one, other in zip(listed, expected, strict=True)
        )
    )


def _may_hold(sent: Mapping[str, Any]) -> bool:
    """Whether a property's value can be one: a counter counts."""
    value = sent.get("value")
    if sent["property"] not in COUNTERS:
        return True
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) and 0 <= value <= MOST_COUNTED and value == int(value)
