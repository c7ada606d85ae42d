"""Write manual page and completion below a folder: `python -m monitor.manual /usr/local/share`."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from monitor.cli import main
from monitor.manual.completion import ZSH, bash_script
from monitor.manual.page import manual_page

NAME = "nightbank"


def write(folder: Path) -> None:
    """Each file where its reader looks: manpath(5), bash-completion's README, zshcompsys(1)."""
    files = {
        f"man/man1/{NAME}.1": manual_page(main, NAME, version(NAME), datetime.now(UTC).date()),
        f"bash-completion/completions/{NAME}": bash_script(main, NAME),
        f"zsh/site-functions/_{NAME}": ZSH,
    }
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        path.chmod(0o644)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m monitor.manual FOLDER   (/usr/local/share)")
    write(Path(sys.argv[1]))
