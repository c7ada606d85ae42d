"""Waiting for what another process or thread does: looked for again and again, with patience, no sleep."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

PATIENCE_S = 120.0
"""Far longer than anything that is waited for takes on a busy computer (our choice)."""


def wait_for(
    there: Callable[[], Any], told: str | Callable[[], str] = "", seconds: float = PATIENCE_S
) -> Any:
    """What `there` gives once it gives something true.

    told says what is waited for, or gives a log that a failure then shows. Raises AssertionError when nothing
    came in time.
    """
    end_s = time.monotonic() + seconds
    while not (found := there()):
        if time.monotonic() > end_s:
            raise AssertionError(f"within {seconds:g} s never: {told if isinstance(told, str) else told()}")
        time.sleep(0.02)
    return found
