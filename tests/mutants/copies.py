"""Copies of this tree, and pytest on them."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

TREE = Path(__file__).parents[2]


def copied(folder: Path) -> Path:
    """A copy of what git keeps of this tree, and of what was not committed yet."""
    listed = ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    names = subprocess.run(listed, cwd=TREE, capture_output=True, check=True, text=True).stdout
    for name in filter(None, names.split("\0")):
        if (TREE / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(TREE / name, folder / name)
    return folder


def compiled(folder: Path) -> Path:
    """A copy with its bytecode, which Python goes by while it fits the source to the letter: a source that is
    changed twice within a second, as here, is never taken for what it was."""
    packages = ["monitor", "dashboard", "simulator", "tests"]
    command = [sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash", *packages]
    subprocess.run(command, cwd=folder, check=True)
    return folder


def pytest_in(
    folder: Path,
    *arguments: str,
    longest_s: float | None = None,
    variables: Mapping[str, str] = MappingProxyType({}),
) -> tuple[int, str]:
    """pytest's status and words, run on a copy; status -1 where it took too long."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments]
    environment = {**os.environ, "PYTHONPATH": str(folder), **variables}
    with subprocess.Popen(
        command, cwd=folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        start_new_session=True,
    ) as process:  # fmt: skip
        try:
            said = process.communicate(timeout=longest_s)[0]
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            return -1, process.communicate()[0]
    return process.returncode, said
