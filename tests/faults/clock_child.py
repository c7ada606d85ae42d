"""A daemon on a computer whose clocks a test moves: `python -m tests.faults.clock_child SITE FOLDER`.

The daemon is the real one (`service.run`), and so is the kernel's count; FOLDER/clocks says where in it this
boot began, what the system's clock shows beside it, and whether a network has set that.
"""

from __future__ import annotations

import json
import logging
import os
import sys
from pathlib import Path

from monitor.clock.kernel import Kernel
from monitor.service import run

CLOCKS = "clocks"


class FileBoard(Kernel):
    """A board without a clock chip, whose clocks are told in a file."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, lambda: bool(self._told()["is_set"]))
        self._file = folder / CLOCKS

    def _told(self) -> dict[str, object]:
        told: dict[str, object] = json.loads(self._file.read_text(encoding="ascii"))
        return told

    @property
    def boot(self) -> str:
        return f"boot at {self._told()['on_ms']}"

    def count_ms(self) -> int:
        told = self._told()
        return (super().count_ms() - int(str(told["on_ms"]))) * int(str(told["speed"]))

    def system_ms(self) -> int:
        return super().count_ms() + int(str(self._told()["offset_ms"]))


def set_clocks(folder: Path, *, on_ms: int, offset_ms: int, is_set: bool, speed: int = 1) -> None:
    """Move the clocks: the board was switched on at on_ms of the real computer's count, the system's clock
    shows that count and offset_ms. Its own count goes `speed` times as fast."""
    (folder / "sys/firmware/devicetree/base").mkdir(parents=True, exist_ok=True)
    text = json.dumps({"on_ms": on_ms, "offset_ms": offset_ms, "is_set": is_set, "speed": speed})
    new = folder / f"{CLOCKS}.new"
    new.write_text(text, encoding="ascii")
    os.replace(new, folder / CLOCKS)


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO)
    run(Path(sys.argv[1]), FileBoard(Path(sys.argv[2])))
