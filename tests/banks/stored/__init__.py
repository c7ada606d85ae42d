"""Courses of plants that are slow to run, kept as compressed CSV; `make.py` made them."""

from __future__ import annotations

import csv
import gzip
import io
from pathlib import Path

from tests.banks.site import Instant

HERE = Path(__file__).parent
DIGITS = {
    "voltage_V": 3,
    "bank_A": 3,
    "charge_A": 3,
    "metered_A": 3,
    "unmetered_A": 3,
    "temperature_C": 1,
    "array_V": 1,
    "array_A": 2,
    "soc": 5,
    "capacity_Ah": 3,
}


def save(name: str, course: list[Instant]) -> None:
    """Write a course. The same course gives the same bytes."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(Instant._fields)
    for now in course:
        values = now._asdict()
        out.writerow(f"{value:.{DIGITS[key]}f}" if key in DIGITS else value for key, value in values.items())
    file = HERE / f"{name}.csv.gz"
    file.write_bytes(gzip.compress(text.getvalue().encode(), compresslevel=9, mtime=0))


def load(name: str) -> list[Instant]:
    """Read a course. Raises OSError where none is stored under that name."""
    text = gzip.decompress((HERE / f"{name}.csv.gz").read_bytes()).decode()
    return [
        Instant(
            int(row["time_ms"]),
            *(
                row[key] if key == "stage" else float(row[key])  # type: ignore[arg-type]
                for key in Instant._fields[1:]
            ),
        )
        for row in csv.DictReader(io.StringIO(text))
    ]
