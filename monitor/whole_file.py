"""A text file written whole or not at all, whatever disk and power do. Imports nothing of the project."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, text: str) -> None:
    """Write a file and have it on the disk, or leave what was there: as on a full disk, or when killed.

    Raises OSError.
    """
    beside = path.with_name(f"{path.name}.new")
    try:
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError:
        with suppress(OSError):
            beside.unlink()
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)  # the new name, too, outlasts a loss of power
    finally:
        os.close(folder)
