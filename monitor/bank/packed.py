"""Rows of numbers as text that is small on the card: each row in 16 bits a number between its ends. Pure."""

from __future__ import annotations

import base64

import numpy as np

from monitor.bank.cell import Floats

MOST_STEPS = 65535


def pack_rows(rows: Floats) -> str:
    """The rows as text, to a part in 65,535 of each row's span."""
    low = rows.min(axis=1, keepdims=True).astype("<f4")
    span = (rows.max(axis=1, keepdims=True) - low).astype("<f4")
    steps = np.round((rows - low) / np.where(span > 0, span, 1.0) * MOST_STEPS).clip(0, MOST_STEPS)
    return base64.b85encode(low.tobytes() + span.tobytes() + steps.astype("<u2").tobytes()).decode("ascii")


def unpack_rows(text: str, rows: int, columns: int) -> Floats:
    """The rows of `pack_rows`. Raises ValueError where the text is not one of so many rows and columns."""
    data = base64.b85decode(text)
    if len(data) != rows * (8 + 2 * columns):
        raise ValueError("not a packed cloud")
    ends = np.frombuffer(data, "<f4", 2 * rows).astype(np.float64).reshape(2, rows, 1)
    steps = np.frombuffer(data, "<u2", offset=8 * rows).reshape(rows, columns)
    found = ends[0] + ends[1] * steps / MOST_STEPS
    if not np.isfinite(found).all():
        raise ValueError("a packed cloud holds what is no number")
    return np.asarray(found)
