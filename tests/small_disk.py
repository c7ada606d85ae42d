"""A disk of a few megabytes that a test can fill."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """A disk in a new folder; size as mount takes it ('32m'). Skips the test where none may be mounted."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True).returncode != 0:
        pytest.skip("mounting a small disk needs root and a system that lets it")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(disk: Path) -> Path:
    """Write a file until the disk is full; the file, for the test to remove."""
    full = disk / "full"
    with suppress(OSError), full.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(512))
    return full
