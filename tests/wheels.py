"""Every dependency must have a wheel for aarch64, so that a Raspberry Pi never compiles.

Asks pip to resolve and download the project's dependencies as for such a machine, wheels only, once for each
Python that Raspberry Pi OS has shipped since 3.11; prints what came. Needs the package registry, hence CI
only. Exit status 1 where pip finds no wheel.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

PYTHONS = ("3.11", "3.13")
GLIBC = ("2014", "_2_17", "_2_24", "_2_26", "_2_27", "_2_28", "_2_31", "_2_34", "_2_35", "_2_36")
"""Wheels' platform tags up to Debian 12's own C library, 2.36."""


def dependencies() -> list[str]:
    """The requirements that pyproject.toml names, without extras."""
    text = (Path(__file__).parent.parent / "pyproject.toml").read_text(encoding="utf-8")
    return list(tomllib.loads(text)["project"]["dependencies"])


def download(python: str, requirements: list[str], folder: str) -> subprocess.CompletedProcess[str]:
    """pip's answer when it is asked for wheels for aarch64 and this Python, and nothing else."""
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--only-binary=:all:", "--dest", folder]
    command += ["--implementation", "cp", "--python-version", python]
    for tag in GLIBC:
        command += ["--platform", f"manylinux{tag}_aarch64"]
    return subprocess.run([*command, *requirements], capture_output=True, text=True, check=False)


def main() -> int:
    """Check every Python; 0 where all is there as a wheel."""
    failed = False
    for python in PYTHONS:
        with tempfile.TemporaryDirectory() as folder:
            answer = download(python, dependencies(), folder)
            wheels = sorted(path.name for path in Path(folder).glob("*.whl"))
        if answer.returncode != 0:
            print(f"Python {python} on aarch64: a dependency has no wheel", file=sys.stderr)
            print(answer.stderr.strip(), file=sys.stderr)
            failed = True
            continue
        compiled = [name.split("-")[0] for name in wheels if not name.endswith("-none-any.whl")]
        print(f"Python {python} on aarch64: {len(wheels)} wheels, compiled: {', '.join(compiled)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
