"""The seam between register maps and wires: one thing that reads registers.

`rtu.py` answers it over a serial line, `tcp.py` over a network; `registers.py` is written against it.
There is no write in this interface, by design: the daemon only reads devices.
"""

from __future__ import annotations

from typing import Protocol

READ_FUNCTIONS = (3, 4)
"""Modbus functions the monitor may send: read holding registers, read input registers."""


class RegisterLink(Protocol):
    """A line to one or more Modbus units, used by one thread at a time."""

    @property
    def name(self) -> str:
        """How a person knows the line: the port's path, or host:port."""

    def open(self) -> None:
        """Open port or connection; open already is fine. Raises LineLost."""

    def close(self) -> None:
        """Release port or connection; may be called twice."""

    def remarks(self) -> tuple[str, ...]:
        """What a person should know of this line though it works, in whole sentences."""

    def settle(self, unit: int) -> None:
        """Wait until no answer of this unit can be under way, and forget which it owes.

        For whoever asks much that is refused: a refusal has no length by which it could be told whose it is.
        Raises LineLost, and BadFrame where the line does not fall silent.
        """

    def read(self, unit: int, function: int, address: int, count: int) -> tuple[int, ...]:
        """`count` registers (0..65535 each) from a 0-based address, function 3 or 4.

        Opens the line when it is not open. Raises LineLost, NoAnswer, BadFrame, ForeignReply, EchoHeard
        or Refused (all DeviceError), and ValueError for a function other than 3 or 4, a unit outside
        1..247 or a count outside 1..125.
        """
