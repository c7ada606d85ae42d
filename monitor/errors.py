"""The error family. Every error says what went wrong, where, and what to do.

    NightbankError
    ├── FileError            a file that a person wrote cannot be used (also a ValueError)
    │   ├── SiteError        the site file
    │   ├── ProfileError     a device profile
    │   ├── MapError         the description of a table's columns
    │   └── MatchError       a dump of registers, a log of lines, or what was seen beside it
    ├── TableError           a table of readings cannot be imported (also a ValueError)
    ├── DumpError            a dump cannot be written on (in `devices/dump.py`)
    ├── PlacesError          remembered places of registers cannot be used (in `devices/places.py`)
    ├── StoreError           the store cannot be opened, read or written
    │   └── ServerError      a server that holds it, or a copy, did not answer as it should
    ├── SunError             what the sun should give the array cannot be worked out
    ├── PinError             the page's PIN cannot be set or read (in `pin.py`)
    ├── CheckupError         a checkup cannot be done or its record read (in `checkup/sources.py`)
    ├── DemoError            the demo cannot run (in `simulated.py`)
    ├── NoticeError          a channel did not take a notice; it is kept and tried again
    └── DeviceError          a device gave no usable answer; polling again is safe
        ├── LineLost         the port or connection is not there (also an OSError)
        ├── NoAnswer         silence until the time-out (also a TimeoutError)
        ├── BadFrame         an answer that is damaged: checksum, length, form
        ├── ForeignReply     a sound frame that does not answer this request
        ├── EchoHeard        the adapter sends our own request back
        ├── Refused          the device answered with an exception code
        └── NotSunSpec       the device carries no SunSpec marker

Imports nothing of the project.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar


class NightbankError(Exception):
    """Base of all errors that a person is told about in plain words."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a file a person wrote.

    key is the dotted path ("bank.unit_voltage_V", "devices[0].port"), line the 1-based line number (of a
    missing key: of the table it belongs to) or None where the file has neither, severity "error" (cannot
    run), "warning" (runs, but look at it) or "note" (nothing is wrong, but bear it in mind).
    """

    key: str
    line: int | None
    text: str
    severity: str = "error"

    def __str__(self) -> str:
        where = f"line {self.line}: " if self.line is not None else ""
        return f"{where}{self.key}: {self.text}"


class FileError(NightbankError, ValueError):
    """A file that a person wrote cannot be used; `problems` lists each fault with key and line."""

    def __init__(self, file: str, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(f"{file}: {problem}" for problem in problems))
        self.file = file
        self.problems = problems


class SiteError(FileError):
    """The site file cannot be used."""


class ProfileError(FileError):
    """A device profile cannot be used."""


class MapError(FileError):
    """The description of a table's columns cannot be used."""


class MatchError(FileError):
    """A dump of registers, a log of lines, or what was seen beside it, cannot be used."""


class TableError(NightbankError, ValueError):
    """A table of readings cannot be imported; the text says which line and what to change."""


class StoreError(NightbankError):
    """The store cannot be opened, read or written; the text says which file and what to do."""


class Trouble(StrEnum):
    """Why a server did not take or give readings."""

    UNREACHABLE = "unreachable"  # no answer, or one that tells of the server's own trouble
    BUSY = "busy"  # it asks to come back later
    DENIED = "denied"  # it will take nothing from us until a person changes something
    CONTENT = "content"  # it will not take these points, whatever is tried again


class ServerError(StoreError):
    """A server that holds a store or a copy did not answer as it should; the text says why and what to do.

    Nothing is lost: what is to be written is kept, and what is to be copied stays in the store. wait_s is how
    long it asks to be left alone, None where it does not say.
    """

    def __init__(self, text: str, trouble: Trouble, wait_s: float | None = None) -> None:
        super().__init__(text)
        self.trouble, self.wait_s = trouble, wait_s


class SunError(NightbankError):
    """What the sun should give the array cannot be worked out; the text says why and what to do."""


class NoticeError(NightbankError):
    """A channel did not take a notice, which is kept and tried again; the text says why and what to do.

    refused: the channel works, but will not have this notice, so that others may go before it.
    may_have_arrived: it was handed over and only the answer is missing.
    """

    def __init__(self, text: str, *, refused: bool = False, may_have_arrived: bool = False) -> None:
        super().__init__(text)
        self.refused, self.may_have_arrived = refused, may_have_arrived


class DeviceError(NightbankError):
    """A device gave no usable answer. The reading is lost; polling again is safe.

    `kind` is the word under which the device's health counts the error.
    """

    kind: ClassVar[str] = "device"


class LineLost(DeviceError, OSError):
    """The serial port or the connection is not there (unplugged, refused, not yet up)."""

    kind = "line lost"


class NoAnswer(DeviceError, TimeoutError):
    """The device stayed silent until the time-out."""

    kind = "no answer"


class BadFrame(DeviceError, ValueError):
    """An answer came damaged: wrong checksum, wrong length, not parseable."""

    kind = "bad frame"


class ForeignReply(DeviceError, ValueError):
    """A sound frame came that does not answer the present request (late, other unit, other length)."""

    kind = "foreign reply"


class EchoHeard(DeviceError):
    """The adapter sends our own request back; the text says what to change."""

    kind = "echo"


class Refused(DeviceError):
    """The device answered with a Modbus exception; `code` is its number."""

    kind = "refused"

    def __init__(self, text: str, code: int) -> None:
        super().__init__(text)
        self.code = code


class NotSunSpec(DeviceError, LookupError):
    """The device answers, but carries no SunSpec marker."""

    kind = "no marker"
