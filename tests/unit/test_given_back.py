"""What a process has freed in the midst of its heap goes back to the system. Judged by Linux (proc(5))."""

from __future__ import annotations

import subprocess
import sys

import pytest

HOLES = """
from pathlib import Path
from monitor.memory import give_back, keep_small

def resident_MB():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 1e6

keep_small()
blocks = [b"x" * (60_000 + at) for at in range(1000)]
last = b"x" * 60_000  # lies behind them all, and stays
before = resident_MB()
del blocks
freed = resident_MB()
give_back()
print(before - freed, before - resident_MB())
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/proc is Linux's")
def test_memory_below_a_block_that_stays_is_given_back() -> None:
    told = subprocess.run([sys.executable, "-c", HOLES], capture_output=True, text=True, check=True).stdout
    by_itself, given_back = map(float, told.split())
    assert by_itself < 20, "the heap keeps what lies below the last block (malloc_trim(3), NOTES)"
    assert given_back > 50, "sixty were freed"
