"""A tap on a serial line: stands between two ports, passes every byte on and keeps what went which way."""

import os
import select
import threading
import tty
from pathlib import Path


class WireTap:
    """Opens the far port and offers a pseudo-terminal under `path`; `asked` is what came in there."""

    def __init__(self, far_port: str, path: Path) -> None:
        self.asked = bytearray()
        self.answered = bytearray()
        self.path = path
        self._far = os.open(far_port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._far)
        self._near, self._slave = os.openpty()
        tty.setraw(self._slave)
        path.symlink_to(os.ttyname(self._slave))
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._pass_on)
        self._thread.start()

    def _pass_on(self) -> None:
        while True:
            ready, _, _ = select.select([self._near, self._far, self._stop_read], [], [])
            if self._stop_read in ready:
                return
            for source, target, kept in (
                (self._near, self._far, self.asked),
                (self._far, self._near, self.answered),
            ):
                if source in ready:
                    data = os.read(source, 4096)
                    kept += data
                    os.write(target, data)

    def close(self) -> None:
        os.write(self._stop_write, b".")
        self._thread.join()
        self.path.unlink()
        for handle in (self._near, self._slave, self._far, self._stop_read, self._stop_write):
            os.close(handle)


def requests_in(asked: bytes) -> list[bytes]:
    """The 8-byte read requests that make up a recording; a remainder that is none comes last, as it is."""
    return [bytes(asked[start : start + 8]) for start in range(0, len(asked), 8)]
