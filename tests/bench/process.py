"""What the kernel counts of a process that is measured from outside (proc(5))."""

from __future__ import annotations

import os
from pathlib import Path


def cpu_s(pid: int) -> float:
    """CPU time of a process, user and system (fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_MB(pid: int | str, what: str = "VmRSS") -> float:
    """Resident set of a process, its largest one so far with VmHWM (status)."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    line = next(line for line in status.splitlines() if line.startswith(what))
    return int(line.split()[1]) / 1024
