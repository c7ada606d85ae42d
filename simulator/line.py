"""A serial line on a pty with the pace of a real wire.

A pty hands over bytes at once; here a request counts as arrived when its last bit would have arrived, and a
reply appears when its last bit would have left. The port stands under a symbolic link, as a by-id path would.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import select
import struct
import termios
import time
import tty
from pathlib import Path

SPIN_S = 0.0008  # the last part of a wait is spun, because a sleep wakes up to half a millisecond late
UNREAD_LIMIT = 1024  # so much unread input means nobody listens: a real line would not keep it


def character_s(baud: int, bits: int) -> float:
    """Seconds a character takes on the wire; bits counts start, data, parity and stop."""
    return bits / baud


def frame_gap_s(baud: int) -> float:
    """t3.5: the silence that ends a frame. Source: Modbus over Serial Line V1.02, 2.5.1.1 (fixed 1.750 ms
    above 19200 bit/s).
    """
    return 0.00175 if baud > 19200 else 3.5 * character_s(baud, 11)


def wait_until(deadline_s: float) -> None:
    """Return at a time of the monotonic clock, to some hundredths of a millisecond."""
    left = deadline_s - time.monotonic()
    if left > SPIN_S:
        time.sleep(left - SPIN_S)
    while time.monotonic() < deadline_s:
        pass


class SerialEnd:
    """The device's end of one serial line: a pty under a symbolic link, which can be pulled and put back."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.fd: int | None = None
        self._far: int | None = None
        self.plug()

    @property
    def plugged(self) -> bool:
        return self.fd is not None

    def plug(self) -> None:
        """Put the line up on a fresh pty under the same link; plugged already is fine."""
        if self.fd is not None:
            return
        self.fd, self._far = pty.openpty()
        tty.setraw(self._far)
        os.set_blocking(self.fd, False)
        self.unlink()
        self.link.symlink_to(os.ttyname(self._far))

    def unplug(self) -> None:
        """Pull the line: the link goes, an open port gets an error; unplugged already is fine."""
        if self.fd is None or self._far is None:
            return
        self.unlink()
        os.close(self.fd)
        os.close(self._far)
        self.fd = self._far = None

    def unlink(self) -> None:
        """Remove the link, if it is there."""
        with contextlib.suppress(FileNotFoundError):
            self.link.unlink()

    def arrived(self, timeout_s: float) -> bytes:
        """What the other end has sent, waiting at most timeout_s for the first byte."""
        if self.fd is None:
            return b""
        ready, _, _ = select.select([self.fd], [], [], max(0.0, timeout_s))
        if not ready:
            return b""
        with contextlib.suppress(BlockingIOError):
            return os.read(self.fd, 4096)
        return b""

    def send(self, data: bytes) -> None:
        """Put bytes where the other end reads them; what nobody reads is dropped, as on a real line."""
        if self.fd is None or self._far is None or not data:
            return
        unread = struct.unpack("i", fcntl.ioctl(self._far, termios.FIONREAD, b"\0" * 4))[0]
        if unread > UNREAD_LIMIT:
            termios.tcflush(self._far, termios.TCIFLUSH)
        with contextlib.suppress(BlockingIOError):
            os.write(self.fd, data)
