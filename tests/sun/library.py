"""Records as folders in the system's temporary folder, under a key of the code that makes them.

Only the first call of a record costs time; any change of the code of tests/sun or tests/banks makes all anew.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from tests.sun.folder import make


@dataclass(frozen=True, slots=True)
class Kept:
    """A record's folder, not to be written into, and its truth."""

    folder: Path
    truth: dict[str, Any]

    @property
    def first_day(self) -> str:
        return str(self.truth["days"][0]["date"])

    @property
    def last_day(self) -> str:
        return str(self.truth["days"][-1]["date"])


def record(name: str, seed: int = 1, kind: str | None = None) -> Kept:
    """A record by name, seed and fault. Raises what `folder.make` raises."""
    root = Path(tempfile.gettempdir()) / f"nightbank-sun-{os.getuid()}"
    root.mkdir(mode=0o700, exist_ok=True)
    folder = root / f"{name}-{seed}-{kind or 'sound'}-{_key()}"
    if not folder.exists():
        part = folder.with_name(f"{folder.name}.{os.getpid()}")
        make(part, name, seed, kind)
        try:
            part.replace(folder)
        except OSError:  # another process was first
            shutil.rmtree(part)
    return Kept(folder, json.loads((folder / "truth.json").read_text(encoding="utf-8")))


@cache
def _key() -> str:
    digest = hashlib.sha256()
    here = Path(__file__).parent
    for file in sorted([*here.glob("*.py"), *(here.parent / "banks").glob("*.py")]):
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]
