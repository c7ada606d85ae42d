"""With the whole system read-only but for one folder all processes live, and all they write is in it.

A mount namespace of its own (unshare(1), mount(8)) makes every file system that is there read-only, /tmp too,
and leaves the site's state folder writable, as ProtectSystem=strict and StateDirectory= do: stricter than the
units, which have a private /tmp.
"""

import os
import shutil
import signal
import subprocess
import sys
import urllib.request
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.records import parse_iso
from monitor.simulated import SimulatorProcess
from monitor.store.embedded import open_reader
from monitor.sun.expected import note_key
from tests.ports import free_port
from tests.waiting import wait_for

NOON = parse_iso("2026-06-21T12:00:00Z")

READ_ONLY = """
set -e
mount --bind "$1" "$1"
for each in /tmp /run /var /home /usr /etc /; do
    if mountpoint --quiet "$each"; then mount -o remount,bind,ro "$each"; fi
done
shift
exec "$@"
"""
"""Whatever of these is a mount of its own becomes read-only in here; /dev stays, where the devices are."""

MIRROR = """
[[mirrors]]
name = "hub"
url = "http://127.0.0.1:{port}"
bucket = "hide"
every_s = 1
"""

pytestmark = pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("unshare") is None, reason="mounting needs root and unshare"
)


def inside(state, *command):
    """A command line that runs another where only the state folder may be written."""
    alone = ["unshare", "--mount", "--propagation", "private"]
    return [*alone, "bash", "-c", READ_ONLY, "-", str(state), *map(str, command)]


class Site:
    """A site's processes where only its state folder may be written."""

    def __init__(self, state):
        self.state, self.processes = state, []

    def start(self, *words):
        command = inside(self.state, sys.executable, "-m", "monitor.cli", *words)
        # what the units set: the page's cache; HOME is none, as for a user without one
        environment = os.environ | {"CACHE_DIRECTORY": str(self.state / "cache"), "HOME": "/nonexistent"}
        process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment)
        self.processes.append(process)
        return process

    def stop(self):
        """Ends all; what each said, and how it ended."""
        for process in self.processes:
            process.send_signal(signal.SIGTERM)
        return [(process.communicate(timeout=40)[1], process.returncode) for process in self.processes]


def asked(address):
    request = urllib.request.Request(address, headers={"Accept-Encoding": "gzip"})
    with urllib.request.urlopen(request, timeout=30) as answer:
        return answer.status, answer.headers["Content-Encoding"]


def answers(address):
    try:
        return asked(address)[0] == 200
    except OSError:
        return False


def described(text, state):
    """A site file with its store in the state folder, a commit each second and a mirror without a server."""
    text = text.replace("commit_every_s = 5", "commit_every_s = 1")
    name = 'path = "nightbank.db"'
    assert text.count(name) == 1
    return text.replace(name, f'path = "{state / "nightbank.db"}"') + MIRROR.format(port=free_port())


def noted(store):
    """Whether the daemon's helper processes have brought tables of the sun, and readings have come."""
    with suppress(StoreError), closing(open_reader(store)) as reader:  # there may be none yet
        return bool(reader.latest()) and reader.note(note_key(datetime.now(UTC).date())) is not None


def test_nothing_but_the_folder_may_be_written_there(tmp_path):
    state = tmp_path / "state"
    state.mkdir()
    assert subprocess.run(inside(state, "touch", state / "x"), check=False).returncode == 0
    for place in (tmp_path / "x", Path("/usr/nightbank-was-here")):
        tried = subprocess.run(inside(state, "touch", place), capture_output=True, text=True, check=False)
        assert (tried.returncode, "Read-only" in tried.stderr) == (1, True), tried.stderr


def test_daemon_page_and_mirror_live_and_write_into_their_folder_alone(tmp_path, site_text):
    state = tmp_path / "state"
    (state / "cache").mkdir(parents=True)
    with SimulatorProcess(tmp_path / "ports", NOON) as simulator:
        simulator.ask(do="run", speed=1.0)
        site_file, port = tmp_path / "site.toml", free_port()
        site_file.write_text(described(site_text(simulator, every_s=1), state))
        site = Site(state)
        try:
            site.start("monitor", site_file)
            wait_for(lambda: noted(state / "nightbank.db"))
            site.start("page", site_file, "--host", "127.0.0.1", "--port", port)
            site.start("mirror", site_file, "run")
            wait_for(lambda: answers(f"http://127.0.0.1:{port}/"))
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=30) as answer:
                script = answer.read().decode().split('data-src="')[1].split('"')[0]
            assert asked(f"http://127.0.0.1:{port}{script}") == (200, "gzip")
            wait_for(lambda: (state / "nightbank.db.mirrors").exists())
        finally:
            ended = site.stop()
    for told, status in ended:
        assert status == 0, told
        assert "Traceback" not in told
        assert "ead-only" not in told
    # what they say goes to standard error, from there to the system's journal: no file of ours is a log
    store = ("", "-wal", "-shm", ".lock", ".mirrors", ".mirrors-wal", ".mirrors-shm", ".mirrors-lock")
    assert {path.name for path in state.iterdir()} <= {"cache", *(f"nightbank.db{end}" for end in store)}
    assert {path.suffix for path in (state / "cache").iterdir()} == {".gz", ".js"}  # packed scripts
