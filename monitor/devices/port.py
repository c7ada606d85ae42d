"""A serial port as bytes with times: opened and set by pyserial, read and written on its descriptor.

Every foreign error (OSError, SerialException, termios.error) leaves here as LineLost, and the port is
then closed, so that the next open finds the adapter again under the same path.
"""

from __future__ import annotations

import errno
import os
import select
import termios
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import serial

from monitor.devices.timing import LineTiming
from monitor.errors import LineLost

_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}

_ADVICE: dict[int | None, str] = {
    errno.ENOENT: "there is no such port; plug the adapter in or correct its name (`nightbank find` lists "
    "all that are there)",
    errno.ENXIO: "the port has gone; plug the adapter in again",
    errno.ENODEV: "the port has gone; plug the adapter in again",
    errno.EIO: "the port has gone; plug the adapter in again",
    errno.EACCES: "no permission; add the monitor's user to the group that owns the port (often dialout)",
    errno.EAGAIN: "another program holds the port; stop it, a serial line bears only one",
    errno.EBUSY: "another program holds the port; stop it, a serial line bears only one",
}


TELLS_ALL = frozenset({errno.ENOENT, errno.EACCES, errno.EAGAIN, errno.EBUSY})
"""Where the advice leaves nothing to add."""


class SerialPort:
    """One port, locked for this process while open. A by-id link as `path` is followed at each open."""

    def __init__(self, path: str, timing: LineTiming) -> None:
        self.path = path
        self._timing = timing
        self._serial: serial.Serial | None = None
        self._fd = -1

    @property
    def is_open(self) -> bool:
        """Whether the port is open as far as we know."""
        return self._serial is not None

    def open(self) -> None:
        """Open, lock and set the port and forget what it had received. Raises LineLost."""
        if self._serial is not None:
            return
        with self._errors_as_line_lost():
            try:
                self._serial = self._opened(self._timing.parity)
            except termios.error:
                # A pseudo-terminal has no parity bit: it lets the setting pass with others, but refuses it
                # when it is all that would change, as at the second opening.
                if not os.path.realpath(self.path).startswith("/dev/pts/"):
                    raise
                self._serial = self._opened("none")
            self._fd = self._serial.fileno()

    def _opened(self, parity: str) -> serial.Serial:
        return serial.Serial(
            self.path,
            baudrate=self._timing.baud,
            parity=_PARITY[parity],
            stopbits=self._timing.stop_bits,
            timeout=0,
            exclusive=True,
        )

    def close(self) -> None:
        """Release the port; may be called twice."""
        port, self._serial, self._fd = self._serial, None, -1
        if port is not None:
            with suppress(OSError, termios.error):  # an unplugged port cannot be closed politely
                port.close()

    def send(self, frame: bytes, within_s: float) -> None:
        """Hand the whole frame to the port. Raises LineLost, also when it takes longer than within_s."""
        with self._errors_as_line_lost():
            while frame:
                if not select.select((), (self._fd,), (), within_s)[1]:
                    raise OSError(errno.EIO, "takes no more bytes")
                frame = frame[os.write(self._fd, frame) :]

    def receive(self, wait_s: float) -> bytes:
        """What the port has received, waiting up to wait_s for a first byte; empty on silence."""
        with self._errors_as_line_lost():
            if not select.select((self._fd,), (), (), max(0.0, wait_s))[0]:
                return b""
            chunk = os.read(self._fd, 4096)
            if not chunk:  # readable and empty: the far end of the port is gone
                raise OSError(errno.EIO, "hung up")
            return chunk

    def check_present(self) -> None:
        """Raises LineLost when the path no longer leads to the port that is open (unplugged, replugged)."""
        with self._errors_as_line_lost():
            if not os.path.samestat(os.stat(self.path), os.fstat(self._fd)):
                raise OSError(errno.ENODEV, "another port stands under this path")

    @contextmanager
    def _errors_as_line_lost(self) -> Iterator[None]:
        try:
            yield
        except (OSError, termios.error, ValueError) as error:  # ValueError: a speed the port cannot do
            self.close()
            number = error.errno if isinstance(error, OSError) else None
            advice = _ADVICE.get(number, "check adapter, cable and speed")
            why = "" if number in TELLS_ALL else f" ({_words(error)})"
            raise LineLost(f"{self.path}: {advice}{why}") from error


def _words(error: Exception) -> str:
    """What an error says, without its number or its name in the code."""
    if isinstance(error, termios.error) and len(error.args) > 1:
        return str(error.args[1])
    if isinstance(error, OSError) and error.errno is not None:
        words = error.strerror or ""
        return os.strerror(error.errno) if not words or "[Errno" in words else words
    return str(error)
