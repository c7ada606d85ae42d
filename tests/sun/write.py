"""Write one record as a folder.

python -m tests.sun.write FOLDER NAME [--seed N] [--fault KIND]
python -m tests.sun.write --list
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.sun.faults import KINDS
from tests.sun.folder import make
from tests.sun.records import KEPT, NAMES


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("name", choices=NAMES, nargs="?", metavar="NAME")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fault", choices=KINDS)
    parser.add_argument("--list", action="store_true", help="print the names and end")
    asked = parser.parse_args()
    if asked.list:
        for name in NAMES:
            print(name, "(kept)" if name in KEPT else "")
        return
    if asked.folder is None or asked.name is None:
        parser.error("give a folder and a name")
    try:
        make(asked.folder, asked.name, asked.seed, asked.fault)
    except ValueError as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main()
