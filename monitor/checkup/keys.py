"""Lines that a person types, taken without waiting for them."""

from __future__ import annotations

import os
import select
import sys
import time


class Keys:
    """Standard input, line by line. `open` is False once it has ended."""

    def __init__(self, descriptor: int | None = None) -> None:
        self._held = b""
        self.open = True
        try:
            self._descriptor = sys.stdin.fileno() if descriptor is None else descriptor
        except (OSError, ValueError):  # no input at all, as under some supervisors
            self._descriptor, self.open = -1, False

    def line(self, wait_s: float) -> str | None:
        """The next whole line without its end, waiting at most so long; None where none comes."""
        until_s = time.monotonic() + wait_s
        while b"\n" not in self._held:
            left_s = until_s - time.monotonic()
            if not self.open or not select.select([self._descriptor], [], [], max(0.0, left_s))[0]:
                if self.open or left_s <= 0:
                    return None
                time.sleep(left_s)
                return None
            data = os.read(self._descriptor, 4096)
            if not data:
                self.open = False
                if self._held:
                    self._held += b"\n"
            self._held += data
        first, _, self._held = self._held.partition(b"\n")
        return first.decode("utf-8", "replace").strip()

    def ask(self) -> str:
        """The next line, waiting as long as it takes; '' where the input has ended."""
        while self.open or b"\n" in self._held:
            line = self.line(1.0)
            if line is not None:
                return line
        return ""

    def forget(self) -> None:
        """Drop what was typed ahead, so that no old Enter answers a new question."""
        while self.line(0.0) is not None:
            pass
