"""Outlooks as the store keeps them, for tests that are about some of what a page tells of one."""

from __future__ import annotations

import json
from typing import Any

from dashboard.night import NEEDED


def whole_outlook(**told: Any) -> str:
    """The note of an outlook that knows of nothing but what is told."""
    nothing = {"sentence": "", "course": [], "basis": [], "switch_off": []}
    return json.dumps(dict.fromkeys(NEEDED) | nothing | told)
