"""A site whose store a real server holds, for the tests: its file, and writers with a driven clock."""

from __future__ import annotations

from pathlib import Path

from monitor.clock import SystemClock
from monitor.notices.secrets import Secrets
from monitor.records import Reading
from monitor.served.reader import ServedReader, open_served_reader
from monitor.served.writer import ServedWriter, open_served_writer
from monitor.site.load import load_site
from tests.interop.mirror_world import BUCKET, NOON_MS
from tests.unit.site_files import MARSH_HIDE

VOLTAGE = "battery_voltage_V"


class DrivenClock(SystemClock):
    """The computer's clock for stamps; for waits one that a test drives.

    step_s passes with every look at it.
    """

    def __init__(self) -> None:
        self._elapsed_s = 1000.0
        self.step_s = 0.0

    def elapsed_s(self) -> float:
        self._elapsed_s += self.step_s
        return self._elapsed_s

    def skip(self, seconds: float) -> None:
        self._elapsed_s += seconds


class ServedSite:
    """A site in a folder, with its store on a server."""

    def __init__(self, folder: Path, url: str, more: str = "", name: str = "Marsh hide") -> None:
        folder.mkdir(exist_ok=True)
        self.folder, self.file = folder, folder / "site.toml"
        text = MARSH_HIDE.replace("Marsh hide", name)
        self.file.write_text(f'{text}\n[store.server]\nurl = "{url}"\nbucket = "{BUCKET}"\n{more}')
        self.clock = DrivenClock()
        self.name = name

    def writer(self, timeout_s: float = 5.0) -> ServedWriter:
        return open_served_writer(load_site(self.file), self.file, clock=self.clock, timeout_s=timeout_s)

    def reader(self, url: str) -> ServedReader:
        keys = load_site(self.file).store.server
        assert keys is not None
        secrets = Secrets(self.folder / "secrets.toml")
        return open_served_reader(keys.model_copy(update={"url": url}), self.name, secrets, self.folder)


def volts(at: int, value: float = 12.5) -> Reading:
    """A reading of the bank's voltage, so many seconds after noon."""
    return Reading(NOON_MS + 1000 * at, "charger", VOLTAGE, value)


def crash(writer: ServedWriter) -> None:
    """What a kill leaves of a writer: its files as they are, its lock released by the kernel."""
    writer._shelf.close()
    writer._file_lock.release()
