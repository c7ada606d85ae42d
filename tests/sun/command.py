"""A record of tests/sun through the real commands: import into a real store, then one command's JSON."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.sun.library import Kept


class CommandFailed(Exception):
    """A command did not end well; its words."""


def told(kept: Kept, command: str) -> Any:
    """What `nightbank COMMAND SITE --json` tells of the whole record, its readings brought in by import."""
    with tempfile.TemporaryDirectory(prefix="nightbank-bench-") as name:
        site = Path(name) / "site.toml"
        shutil.copy(kept.folder / "site.toml", site)
        _run("import", str(site), str(kept.folder / "measurements.csv"))
        span = ("--from", kept.first_day, "--to", kept.last_day)
        return json.loads(_run(command, str(site), *span, "--json"))


def _run(*words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", *words], capture_output=True, text=True, timeout=600
    )
    if done.returncode != 0:
        raise CommandFailed(f"nightbank {' '.join(words)}: {done.stderr.strip()[-500:]}")
    return done.stdout
