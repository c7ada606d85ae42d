"""Every benchmark, one after the other: python -m tests.bench

Each prints ratios against a baseline measured in the same run. Nothing else should run beside it: the wire's
timing is part of what is measured. A benchmark alone: python -m tests.bench.NAME
"""

import subprocess
import sys
from pathlib import Path

IN_ORDER = ("poll_cycle", "poll_delivery", "daemon", "store_speed", "simulator_cost", "page_cost")


def main() -> None:
    known = {path.stem for path in Path(__file__).parent.glob("*.py")} - {"__main__", "__init__"}
    failed = []
    for name in (*IN_ORDER, *sorted(known - set(IN_ORDER))):
        print(f"\n== {name}", flush=True)
        if subprocess.run([sys.executable, "-m", f"tests.bench.{name}"]).returncode != 0:
            failed.append(name)
    if failed:
        sys.exit(f"did not finish: {', '.join(failed)}")


if __name__ == "__main__":
    main()
