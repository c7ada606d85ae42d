"""What the kernel counts of a process that is measured from outside (proc(5))."""

from __future__ import annotations

import os
from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class Parts:
    """The resident set of a process by what it is: the C library's heap, what else is the process's own
    (Python's small objects, large blocks, threads' stacks), and pages of files that others may share."""

    heap_MB: float
    own_MB: float
    files_MB: float


def parts_MB(pid: int | str) -> Parts:
    """What the resident set of a process is made of (smaps)."""
    heap_kB = own_kB = resident_kB = 0
    in_heap = False
    for line in Path(f"/proc/{pid}/smaps").read_text(encoding="utf-8").splitlines():
        name, _, rest = line.partition(" ")
        if not name.endswith(":"):
            in_heap = line.endswith("[heap]")
        elif name == "Rss:":
            resident_kB += int(rest.split()[0])
        elif name == "Anonymous:":
            own_kB += int(rest.split()[0])
            heap_kB += int(rest.split()[0]) if in_heap else 0
    return Parts(heap_kB / 1024, (own_kB - heap_kB) / 1024, (resident_kB - own_kB) / 1024)
