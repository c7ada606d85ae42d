"""The units as the installer lays them out: systemd's own checker judges them.

Sources: systemd-analyze(1) for what `verify` and `security` mean; systemd 252 is Debian 12's.
"""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

from monitor.power.halting import REQUEST

PROJECT = Path(__file__).parents[2]
UNITS = (
    "nightbank-monitor@hide.service",
    "nightbank-page@hide.service",
    "nightbank-mirror@hide.service",
    "nightbank-sites@all.service",
    "nightbank-halt@hide.service",
)


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    """The finished command with its output as text."""
    return subprocess.run([str(part) for part in command], capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def staged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A root folder with what the installer puts there, and this system's own targets beside it."""
    root = tmp_path_factory.mktemp("root")
    for name in ("opt/nightbank/bin/nightbank", "usr/bin/cat"):
        program = root / name
        program.parent.mkdir(parents=True)
        program.write_text("#!/bin/sh\n")
        program.chmod(0o755)
    installed = run("bash", PROJECT / "systemd/install", "--units-only", "--root", root)
    assert installed.returncode == 0, installed.stderr
    targets = root / "usr/lib/systemd/system"
    targets.mkdir(parents=True)
    for target in Path("/usr/lib/systemd/system").glob("*.target"):
        shutil.copy(target, targets)
    return root


def test_the_checker_finds_nothing_wrong_with_the_units(staged: Path) -> None:
    verdict = run("systemd-analyze", "verify", f"--root={staged}", *UNITS, "nightbank-halt@hide.path")
    assert (verdict.returncode, verdict.stdout, verdict.stderr) == (0, "", "")


def test_the_checker_would_notice_a_missing_program(staged: Path, tmp_path: Path) -> None:
    without = tmp_path / "root"
    shutil.copytree(staged, without, symlinks=True)
    (without / "opt/nightbank/bin/nightbank").unlink()
    verdict = run("systemd-analyze", "verify", f"--root={without}", UNITS[0])
    assert verdict.returncode != 0
    assert "/opt/nightbank/bin/nightbank" in verdict.stderr


def test_the_checker_takes_what_the_manual_adds(staged: Path, tmp_path: Path) -> None:
    manual = (PROJECT / "systemd/README.md").read_text(encoding="utf-8")
    additions = re.findall(r"(?m)^    \[Service\]\n(?:    .+\n)+", manual)
    assert len(additions) == 3
    root = tmp_path / "root"
    shutil.copytree(staged, root, symlinks=True)
    folder = root / f"etc/systemd/system/{UNITS[0]}.d"
    folder.mkdir()
    for number, text in enumerate(additions):
        (folder / f"{number}.conf").write_text(text.replace("    ", ""))
    verdict = run("systemd-analyze", "verify", f"--root={root}", UNITS[0])
    assert (verdict.returncode, verdict.stdout, verdict.stderr) == (0, "", "")


@pytest.mark.parametrize("unit", UNITS)
def test_the_sandbox_leaves_little_exposed(staged: Path, unit: str) -> None:
    verdict = run("systemd-analyze", "security", "--offline=yes", f"--root={staged}", unit)
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", verdict.stdout)
    assert found, verdict.stdout + verdict.stderr
    assert float(found.group(1)) <= 1.5


def test_the_halt_waits_where_the_daemon_leaves_its_wish_and_may_do_nothing_itself() -> None:
    units = {
        name: (PROJECT / f"systemd/nightbank-{name}").read_text().splitlines()
        for name in ("halt@.path", "halt@.service", "monitor@.service")
    }
    assert f"PathExists=/run/nightbank/%i/{REQUEST}" in units["halt@.path"]
    # systemd.exec(5): RuntimeDirectory= is a folder below /run, the service's own, gone with it
    assert {"RuntimeDirectory=nightbank/%i", "RuntimeDirectoryMode=0750"} <= set(units["monitor@.service"])
    rights = {"SuccessAction=poweroff", "User=nightbank", "CapabilityBoundingSet="}
    assert rights <= set(units["halt@.service"])


def test_the_daemon_tells_when_it_is_ready_and_is_watched() -> None:
    text = (PROJECT / "systemd/nightbank-monitor@.service").read_text()
    assert {"Type=notify", "WatchdogSec=60", "Restart=always"} <= set(text.splitlines())


@pytest.mark.parametrize("unit", ["monitor", "page", "mirror", "sites"])
def test_numpy_gets_one_thread_and_no_memory_for_more(unit: str) -> None:
    # OPENBLAS_NUM_THREADS: OpenBLAS's own manual, 'Setting the number of threads at runtime' (from memory)
    text = (PROJECT / f"systemd/nightbank-{unit}@.service").read_text()
    service = text.split("[Service]")[1].split("[Install]")[0]
    assert "Environment=OPENBLAS_NUM_THREADS=1" in service.splitlines()


def service_of(unit: str) -> dict[str, str]:
    """The settings of a unit's [Service], of each the last one."""
    text = (PROJECT / f"systemd/nightbank-{unit}@.service").read_text()
    rows = text.split("[Service]")[1].split("[Install]")[0].splitlines()
    return dict(row.split("=", 1) for row in rows if "=" in row and not row.startswith("#"))


@pytest.mark.parametrize("unit", ["monitor", "page", "mirror", "sites"])
def test_every_service_is_bounded_in_memory_processes_files_and_log(unit: str) -> None:
    """How much is our own choice; systemd.resource-control(5) and systemd.exec(5) have the settings."""
    told = service_of(unit)
    assert int(told["MemoryMax"].removesuffix("M")) < 512, "less than the smallest computer has"
    assert int(told["TasksMax"]) <= 64
    assert int(told["LimitNOFILE"]) <= 1024, "select(2) takes no more, and the page's server uses it"
    assert (told["LogRateLimitIntervalSec"], told["LogRateLimitBurst"]) == ("1h", "400")


def test_the_page_gives_way_to_the_polling() -> None:
    assert int(service_of("page")["Nice"]) > 0
    assert "Nice" not in service_of("monitor")
    assert service_of("monitor")["OOMPolicy"] == "continue", "the daemon outlives a process that it started"


def test_what_ends_is_started_again_after_longer_and_longer_waits_and_for_ever() -> None:
    """RestartSteps, RestartMaxDelaySec: systemd.service(5), from version 254 on; before that every 10 s."""
    for unit in ("monitor", "page", "mirror", "sites"):
        told = service_of(unit)
        assert told["Restart"] in ("always", "on-failure")
        assert told["RestartSec"] == "10"
        assert "StartLimitIntervalSec=0" in (PROJECT / f"systemd/nightbank-{unit}@.service").read_text()
    backoff = (PROJECT / "systemd/nightbank-backoff.conf").read_text().splitlines()
    assert {"RestartSteps=6", "RestartMaxDelaySec=300"} <= set(backoff)


def test_the_daemon_may_open_the_serial_ports_this_kernel_knows() -> None:
    # /proc/devices names the majors of loaded drivers; ttyS is built into Debian's kernels
    text = (PROJECT / "systemd/nightbank-monitor@.service").read_text()
    allowed = set(re.findall(r"^DeviceAllow=char-(\d+) rw$", text, re.MULTILINE))
    known = {
        major
        for major, name in re.findall(r"^ *(\d+) (\S+)$", Path("/proc/devices").read_text(), re.MULTILINE)
        if name in ("ttyUSB", "ttyACM", "ttyAMA", "ttyS")
    }
    assert known <= allowed
    assert {"188", "166"} <= allowed  # kernel's list of allocated devices: USB serial, USB ACM


def test_the_installer_says_what_comes_next_and_cautions(tmp_path: Path) -> None:
    installed = run("bash", PROJECT / "systemd/install", "--units-only", "--root", tmp_path)
    assert "nightbank site new /etc/nightbank/hide.toml" in installed.stdout
    assert "Local codes" in installed.stdout
    assert "isolated RS-485" in installed.stdout


def test_the_installer_may_run_twice_and_keeps_site_files(tmp_path: Path) -> None:
    command = ("bash", PROJECT / "systemd/install", "--units-only", "--root", tmp_path)
    first = run(*command)
    site = tmp_path / "etc/nightbank/hide.toml"
    site.write_text("kept")
    second = run(*command)
    assert (first.returncode, second.returncode) == (0, 0), first.stderr + second.stderr
    assert site.read_text() == "kept"
    assert "Next" in first.stdout
    assert "Next" not in second.stdout, "who has a site is past that"
    assert "Brought up to date" in second.stdout
    assert os.readlink(tmp_path / "usr/local/bin/nightbank") == "/opt/nightbank/bin/nightbank"


def test_an_image_can_be_filled_where_systemd_is_not_installed(tmp_path: Path) -> None:
    absent = tmp_path / "bin/systemctl"
    absent.parent.mkdir()
    absent.write_text("#!/bin/sh\nexit 127\n")  # what a shell answers for a command that is not there
    absent.chmod(0o755)
    command = ("bash", str(PROJECT / "systemd/install"), "--units-only", "--root", str(tmp_path / "root"))
    path = f"{absent.parent}:{os.environ['PATH']}"
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, env={**os.environ, "PATH": path}
    )
    assert done.returncode == 0, done.stderr
    assert "Installed." in done.stdout
    assert (tmp_path / "root/usr/local/share/doc/nightbank/monitor/alarms/README.md").exists()


def test_every_link_of_the_installed_manual_leads_somewhere(staged: Path) -> None:
    manual = staged / "usr/local/share/doc/nightbank"
    pages = list(manual.rglob("*.md"))
    assert {manual / "README.md", manual / "DEVELOPERS.md", manual / "systemd/README.md"} <= set(pages)
    for page in pages:
        for target in re.findall(r"\]\(([^)\s#]+)", page.read_text(encoding="utf-8")):
            assert target.startswith("http") or (page.parent / target).exists(), f"{page}: {target}"


def test_the_installer_refuses_what_it_does_not_know() -> None:
    refused = run("bash", PROJECT / "systemd/install", "--everything")
    assert refused.returncode == 2
    assert "usage:" in refused.stderr


def test_the_user_gets_the_serial_ports_group_and_no_login(tmp_path: Path) -> None:
    etc = tmp_path / "etc"
    etc.mkdir()
    (etc / "group").write_text("dialout:x:20:\n")  # Debian's own group
    (etc / "passwd").write_text("")
    made = run("systemd-sysusers", f"--root={tmp_path}", PROJECT / "systemd/nightbank.sysusers")
    assert made.returncode == 0, made.stderr
    assert "dialout:x:20:nightbank" in (etc / "group").read_text()
    assert (etc / "passwd").read_text().startswith("nightbank:")
    assert (etc / "passwd").read_text().strip().endswith("nologin")


@pytest.mark.skipif(os.geteuid() != 0, reason="gives a folder to another group")
def test_a_site_file_is_the_services_to_read_whatever_a_persons_umask_is(tmp_path: Path) -> None:
    etc = tmp_path / "etc"
    etc.mkdir()
    (etc / "passwd").write_text("root:x:0:0:root:/root:/bin/sh\nnightbank:x:997:997::/:/bin/false\n")
    (etc / "group").write_text("root:x:0:\nnightbank:x:997:\n")
    made = run("systemd-tmpfiles", "--create", f"--root={tmp_path}", PROJECT / "systemd/nightbank.tmpfiles")
    assert made.returncode == 0, made.stderr
    before = os.umask(0o027)
    try:
        (etc / "nightbank/hide.toml").write_text("")
    finally:
        os.umask(before)
    told = (etc / "nightbank/hide.toml").stat()
    assert (told.st_gid, told.st_mode & stat.S_IRGRP) == (997, stat.S_IRGRP)


SCRIPTS = ("systemd/install", "tests/run", ".ci/run", ".ci/make-venv", "simulator/demo")


@pytest.mark.parametrize("script", SCRIPTS)
def test_scripts_are_sound_bash_and_may_be_executed(script: str) -> None:
    path = PROJECT / script
    assert run("bash", "-n", path).returncode == 0
    assert path.stat().st_mode & stat.S_IXUSR
