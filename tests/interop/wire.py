"""A wire between two pseudo-terminals with the pace of a serial line, and a tap on it.

A pseudo-terminal hands bytes over at once; here each byte arrives when its last bit would be through.
    python -m tests.interop.wire BAUD
prints the two ends' paths, and after each line on standard input all bytes tapped from the first end (JSON).
"""

from __future__ import annotations

import json
import os
import select
import sys
import tty
from collections import deque
from time import monotonic


def main(baud: int) -> None:
    character_s = 11 / baud
    ends = [os.openpty(), os.openpty()]
    for _, slave in ends:
        tty.setraw(slave)
    masters = [master for master, _ in ends]
    print(*(os.ttyname(slave) for _, slave in ends), flush=True)
    under_way: list[deque[tuple[float, int]]] = [deque(), deque()]  # towards the other end: due at, byte
    free_s = [0.0, 0.0]
    tapped = bytearray()
    while True:
        now = monotonic()
        for side, queue in enumerate(under_way):
            while queue and queue[0][0] <= now:
                os.write(masters[1 - side], bytes((queue.popleft()[1],)))
        due = min((queue[0][0] for queue in under_way if queue), default=None)
        wait_s = None if due is None else max(0.0, due - monotonic())
        for ready in select.select((*masters, sys.stdin.fileno()), (), (), wait_s)[0]:
            if ready not in masters:
                if not sys.stdin.readline():
                    return
                print(json.dumps(tapped.hex()), flush=True)
                continue
            side = masters.index(ready)
            for byte in os.read(ready, 4096):
                free_s[side] = max(free_s[side], monotonic()) + character_s
                under_way[side].append((free_s[side], byte))
                if side == 0:
                    tapped.append(byte)


if __name__ == "__main__":
    main(int(sys.argv[1]))
