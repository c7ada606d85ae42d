"""What the benchmarks have given, kept in results.json and laid beside each other in RESULTS.md. Pure but
for files."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tests.bench.figures import Figure, Kind

HERE = Path(__file__).parent
KEPT, PAGE = HERE / "results.json", HERE / "RESULTS.md"

NO_BENCHMARKS = ("__main__", "figures", "page_year", "process", "results", "soak_daemon")
"""Modules of this folder that measure nothing by themselves."""

TABLES = {
    "charge_error": "CHARGE.md",
    "simulated_months": "CHARGE.md",
    "hidden_loads": "CHARGE.md",
    "outlook_nights": "OUTLOOK.md",
    "winter_runs": "WINTER.md",
    "plan_nights": "PLAN.md",
    "sky_days": "SUN.md",
    "array_findings": "SUN.md",
    "match_maps": "MATCH.md",
    "match_lines": "MATCH.md",
    "line_faults": "../faults/FAULTS.md",
    "page_crowd": "../../DEVELOPERS.md",
    "card_bytes": "../../monitor/store/DESIGN.md",
    "kills": "../../monitor/store/DESIGN.md",
    "soak": "../../monitor/store/DESIGN.md",
    "store_speed": "../../monitor/store/DESIGN.md",
    "clock_steps": "../../monitor/clock/DESIGN.md",
    "supply_ends": "../../monitor/power/DESIGN.md",
    "fleet": "../../monitor/mirror/DESIGN.md",
    "forwarders": "../../monitor/mirror/DESIGN.md",
    "mirror_cost": "../../monitor/mirror/DESIGN.md",
    "served_speed": "../../monitor/served/DESIGN.md",
    "sites_list": "../../monitor/served/DESIGN.md",
    "checkup_systems": "../../monitor/checkup/DESIGN.md",
}
"""Where the whole tables of a benchmark stand, with what they mean and where it is weak."""

HEAD = """\
# What the benchmarks gave

Made by `python -m tests.bench` and by nobody's hand: it runs the benchmarks, or some of them, and lays their
newest figures beside each other. Ratios come first, since they were measured beside their baseline in the
same run and mean the same on another machine; times and sizes are those of the machine named with each run.
**missed** is on the wrong side of its target. 'load' is how many processes wanted the cores when a run
began: with more than there are, times are too long and ratios a little unsure.
"""

SECTIONS: dict[Kind, tuple[str, str]] = {
    "ratio": ("Beside a baseline of the same run", "baseline"),
    "accuracy": ("Against a truth that is known", "truth"),
    "cost": ("Time, memory and room on the machine of the run", ""),
}


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a benchmark: how it was called, when and where, how it ended, and the figures it gave."""

    command: str
    when: str
    seconds: float
    machine: str
    load: float
    status: int
    figures: tuple[Figure, ...]


def benchmarks() -> list[str]:
    """The names of all benchmarks."""
    return sorted({path.stem for path in HERE.glob("*.py")} - set(NO_BENCHMARKS))


def load_runs(file: Path = KEPT) -> dict[str, Run]:
    """The newest run of each benchmark that was run."""
    if not file.exists():
        return {}
    kept: dict[str, dict[str, Any]] = json.loads(file.read_text(encoding="utf-8"))
    return {
        name: Run(**{**run, "figures": tuple(Figure(**each) for each in run["figures"])})
        for name, run in kept.items()
    }


def keep_runs(runs: Mapping[str, Run], names: Iterable[str]) -> None:
    """Write both files, of the benchmarks that there are."""
    ordered = {name: runs[name] for name in names if name in runs}
    kept = {name: asdict(run) for name, run in ordered.items()}
    KEPT.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    PAGE.write_text(page(ordered, names), encoding="utf-8")


def page(runs: Mapping[str, Run], names: Iterable[str]) -> str:
    """RESULTS.md."""
    parts = [HEAD, _missed(runs)]
    for kind, (title, beside) in SECTIONS.items():
        rows = [
            _row(name, figure, beside)
            for name, run in runs.items()
            for figure in run.figures
            if figure.kind == kind
        ]
        heads = ["benchmark", "what", "", *([beside] if beside else []), "target"]
        parts.append(_table(title, heads, rows))
    parts.append(_table("The runs", RUN_HEADS, [_run_row(name, runs.get(name)) for name in names]))
    return "\n".join(parts)


def _missed(runs: Mapping[str, Run]) -> str:
    """How many figures meet their targets, and which do not."""
    aimed = [(name, figure) for name, run in runs.items() for figure in run.figures if figure.has_target]
    beyond = [(name, figure) for name, figure in aimed if figure.is_missed]
    lines = [f"{len(aimed) - len(beyond)} of {len(aimed)} figures that have a target meet it."]
    if beyond:
        lines += ["These do not:", ""]
        lines += [
            f"- {name}: {figure.what}: {number(figure.value)} {figure.unit}".rstrip()
            + f" ({_target(figure, is_missed=False)})"
            for name, figure in beyond
        ]
    return "\n".join([*lines, ""])


def _row(name: str, figure: Figure, beside: str) -> list[str]:
    value = f"{number(figure.value)} {figure.unit}".strip()
    return [
        name,
        figure.what,
        value,
        *([figure.beside] if beside else []),
        _target(figure, is_missed=figure.is_missed),
    ]


def _target(figure: Figure, *, is_missed: bool) -> str:
    words = [f"at least {number(figure.at_least)}"] if figure.at_least is not None else []
    words += [f"at most {number(figure.at_most)}"] if figure.at_most is not None else []
    return ", ".join(words) + (": **missed**" if is_missed else "")


RUN_HEADS = ["benchmark", "command", "took", "on", "machine", "load", "tables"]


def _run_row(name: str, run: Run | None) -> list[str]:
    tables = f"[{Path(TABLES[name]).name}]({TABLES[name]})" if name in TABLES else ""
    if run is None:
        return [name, f"`python -m tests.bench.{name}`", "not run", "", "", "", tables]
    took = f"{run.seconds:.0f} s" if run.seconds < 100 else f"{run.seconds / 60:.0f} min"
    ended = "" if run.status == 0 else f", ended with {run.status}"
    return [name, f"`{run.command}`", took + ended, run.when, run.machine, f"{run.load:.1f}", tables]


def _table(title: str, heads: list[str], rows: list[list[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join([f"## {title}", "", *(f"| {' | '.join(line)} |" for line in lines), ""])


def number(value: float) -> str:
    """What of a number is worth reading: three figures, near one three decimals, whole ones as they are."""
    if value == int(value) or abs(value) >= 1000:
        return f"{value:,.0f}"
    return f"{value:.3f}".rstrip("0") if 0.8 < abs(value) < 2 else f"{value:.3g}"
