"""The results of a question about a run: each with how it comes about and where that is published. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.wire.copper import CARRIES_SOURCE, GAUGES, METRIC, RESISTANCE_SOURCE, Conductor
from monitor.wire.fuses import (
    BRIGHT_SUN,
    CONTINUOUS,
    SIZES_SOURCE,
    STRINGS_THAT_WANT_FUSES,
    fuse_for,
    largest_fuse,
)
from monitor.wire.run import Fit, Run, fit, loses_too_much, smallest

LOAD_SOURCE = "factor 1.25 for what runs for hours: practice, from memory"
ARRAY_SOURCE = "factor 1.25 twice: NEC 690.8(A)(1), 690.8(B) and 690.9(B), secondary source"
EMPTYING = 0.95
"""A load that takes the same power at any voltage draws most just before a disconnect: 11.4 V of a 12 V bank
(1.90 V a cell, the least that a maker's manual, read, advises for it)."""

POWER_SOURCE = "voltage of an emptying bank, 95 % of the nominal one: a battery maker's manual on disconnects"
OHM = "Ohm's law on both ways: current × resistance × twice the length"
STRINGS_SOURCE = "two strings want no fuse each, three do: practice, from memory"
HOT_SOURCE = "in a hot place 0.85 of that: ABYC E-11, secondary source"
SURE_TO_BLOW = 3.0
"""A short circuit below so many times the rating is told as a fault (our choice: at twice the rating slow
fuses take up to minutes, and the bank's own resistance is not counted)."""

PLACE = (
    "as near to the bank's positive post as it goes: within 18 cm; 1.0 m where the wire runs in a sheath, "
    "1.8 m where it does and sits right on the post"
)
PLACE_SOURCE = (
    "place of the fuse: ABYC E-11, from memory and uncertain: look it up in the code that holds for you"
)


@dataclass(frozen=True, slots=True)
class Result:
    """One line of the answer: value (None: no such size, or not a number), how it comes about, the sources,
    and whether it is a fault that a person must mend."""

    name: str
    title: str
    value: float | str | None
    words: str
    sources: tuple[str, ...]
    wrong: bool = False


@dataclass(frozen=True, slots=True)
class Strings:
    """The array at the near end: a panel's short-circuit current, parallel strings, and the largest fuse that
    the panel's plate allows (None: not given)."""

    isc_A: float
    count: int
    plate_fuse_A: float | None = None

    @property
    def bears_A(self) -> float:
        """What conductor and fuse of one string are chosen for: 1.25 × 1.25 of its short-circuit current."""
        return BRIGHT_SUN * CONTINUOUS * self.isc_A


def current_of(power_W: float, voltage_V: float) -> float:
    """Amperes of a load that is known by its power, from a bank that empties."""
    return power_W / (EMPTYING * voltage_V)


def drawn(power_W: float, voltage_V: float) -> Result:
    """The same as a result."""
    current_A = current_of(power_W, voltage_V)
    low = f"{EMPTYING * voltage_V:.4g} V, which an emptying bank of {voltage_V:g} V has"
    words = f"{current_A:.3g} A: {power_W:g} W at {low}"
    return Result("current_A", "Current", current_A, words, (POWER_SOURCE,))


def in_short(results: Sequence[Result]) -> str:
    """The answer in one sentence, from the results of a whole question."""
    found = {result.name: result for result in results}
    if any(result.wrong for result in results):
        wire = found.get("wire")
        if wire is not None and wire.wrong:
            return f"the {wire.value} that is there is not enough: see what is marked !"
        return "it does not do as asked: see what is marked !"
    names = ("wire", "smallest_mm2", "smallest_awg")
    sizes = [name for name in names if name in found and found[name].value is not None]
    told = (
        f"{' or '.join(str(found[name].value) for name in sizes)}, with a fuse of {found['fuse_A'].value} A"
    )
    string_A = found["string_fuse_A"].value if "string_fuse_A" in found else None
    return f"{told}." if string_A is None else f"{told} and one of {string_A} A in each string."


def load_results(run: Run, drop_source: str, laid: Conductor | None = None) -> list[Result]:
    """A run from the bank to a load, or from a controller to the bank; laid: the wire that is there."""
    least_A = CONTINUOUS * run.current_A
    fuse_A = fuse_for(least_A)
    found = [_allowed(run, drop_source)]
    how = f"{CONTINUOUS:g} × {run.current_A:.4g} A = {least_A:.4g} A"
    found.append(_fuse("fuse_A", "Fuse", fuse_A, how, (LOAD_SOURCE, SIZES_SOURCE)))
    found += _wires(run, fuse_A, least_A, laid)
    if fuse_A is not None:
        found += _far_short(run, fuse_A, laid)
        found.append(Result("fuse_place", "Where it sits", None, PLACE, (PLACE_SOURCE,)))
    return found


def array_results(
    run: Run, strings: Strings, drop_source: str, laid: Conductor | None = None
) -> list[Result]:
    """The run from the array to the controller, with the strings that feed it."""
    least_A = strings.count * strings.bears_A
    fuse_A = fuse_for(least_A)
    how = f"{BRIGHT_SUN:g} × {CONTINUOUS:g} × {strings.count} × {strings.isc_A:g} A = {least_A:.4g} A"
    return [
        *_string_results(strings, run.hot_place),
        _allowed(run, drop_source),
        _fuse("fuse_A", "Fuse or breaker of the run", fuse_A, how, (ARRAY_SOURCE, SIZES_SOURCE)),
        *_wires(run, fuse_A, least_A, laid),
    ]


def _string_results(strings: Strings, hot_place: bool) -> list[Result]:
    """What each of several strings wants for itself; a single one is the run."""
    if strings.count == 1:
        return []
    fuse_A = fuse_for(strings.bears_A)
    how = f"{BRIGHT_SUN:g} × {CONTINUOUS:g} × {strings.isc_A:g} A = {strings.bears_A:.4g} A"
    if strings.count < STRINGS_THAT_WANT_FUSES:
        words = "none by the usual rule: two strings cannot push more through each other than one gives"
        first = Result("string_fuse_A", "Fuse of each string", None, words, (STRINGS_SOURCE,))
        must_A = strings.bears_A
    else:
        first = _plate(
            strings, _fuse("string_fuse_A", "Fuse of each string", fuse_A, how, (ARRAY_SOURCE, SIZES_SOURCE))
        )
        must_A = fuse_A or strings.bears_A
    wires = [
        next((size for size in sizes if (size.carries_A(hot_place) or 0.0) >= must_A - 1e-9), None)
        for sizes in (METRIC, GAUGES)
    ]
    names = " or ".join(size.name for size in wires if size is not None)
    words = f"at least {names}, for {must_A:.4g} A" if names else f"no size here carries {must_A:.4g} A"
    wire = Result("string_wire", "Wire of each string", names or None, words, _carries(hot_place), not names)
    return [first, wire]


def _plate(strings: Strings, fuse: Result) -> Result:
    """A string's fuse beside the largest that the panel's plate allows."""
    plate_A = strings.plate_fuse_A
    if plate_A is None:
        words = f"{fuse.words}; not above the fuse rating on the panel's plate, which was not given"
        return Result(fuse.name, fuse.title, fuse.value, words, fuse.sources, fuse.wrong)
    too_much = isinstance(fuse.value, int) and fuse.value > plate_A
    words = f"{fuse.words}; the panel's plate allows {plate_A:g} A"
    if too_much:
        words += ", which is less: these panels are not meant for so many strings, ask their maker"
    return Result(fuse.name, fuse.title, fuse.value, words, fuse.sources, fuse.wrong or too_much)


def _allowed(run: Run, source: str) -> Result:
    words = f"{100 * run.allowed_drop:g} % of {run.voltage_V:g} V: {run.allowed_V:.3g} V"
    return Result("allowed_drop_V", "May be lost", run.allowed_V, words, (source,))


def _fuse(name: str, title: str, fuse_A: int | None, how: str, sources: tuple[str, ...]) -> Result:
    words = f"{fuse_A} A: {how}, the next standard size" if fuse_A else f"no standard size here: {how}"
    return Result(name, title, fuse_A, words, sources, fuse_A is None)


def _wires(run: Run, fuse_A: int | None, least_A: float, laid: Conductor | None) -> list[Result]:
    """The smallest wire of each system, or what is there, judged: a wire must outlive its fuse."""
    must_A = fuse_A or least_A
    if laid is not None:
        return [_judged(run, laid, must_A)]
    found = [
        _smallest(run, METRIC, must_A, "smallest_mm2", "Smallest wire"),
        _smallest(run, GAUGES, must_A, "smallest_awg", "or by gauge"),
    ]
    if all(result.wrong for result in found):
        return found
    return [replace(result, wrong=False) for result in found]  # one of the two systems has a size


def _smallest(run: Run, sizes: Sequence[Conductor], must_A: float, name: str, title: str) -> Result:
    found = smallest(run, sizes, must_A)
    sources = (OHM, RESISTANCE_SOURCE[sizes[0].system], *_carries(run.hot_place))
    if found is None:
        words = (
            f"no single wire up to {sizes[-1].name} does it: a shorter run, a higher voltage or several runs "
            "with a fuse each"
        )
        return Result(name, title, None, words, sources, wrong=True)
    return Result(name, title, found.conductor.name, _fit_words(run, found), sources)


def _carries(hot_place: bool) -> tuple[str, ...]:
    return (CARRIES_SOURCE, HOT_SOURCE) if hot_place else (CARRIES_SOURCE,)


def _fit_words(run: Run, found: Fit) -> str:
    carries = "is not known here" if found.carries_A is None else f"is {found.carries_A:.4g} A"
    return (
        f"{found.conductor.name}: loses {found.drop_V:.3g} V ({_percent(found.drop)}) and "
        f"{found.loss_W:.3g} W at {run.current_A:.4g} A; what it may carry {carries}"
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.1 else f"{100 * share:.2g} %"


def _judged(run: Run, laid: Conductor, must_A: float) -> Result:
    found = fit(run, laid)
    faults = []
    if loses_too_much(run, found):
        faults.append(f"loses more than {100 * run.allowed_drop:g} %")
    if found.carries_A is None:
        faults.append("is thinner than any in the table of what a wire may carry: have it checked")
    elif found.carries_A < must_A - 1e-9:
        most = largest_fuse(found.carries_A)
        faults.append(f"must have a fuse of {must_A:.4g} A and bears one of {most} A at most: it is too thin")
    words = f"{_fit_words(run, found)}. It {' and '.join(faults) if faults else 'is enough'}"
    sources = (OHM, RESISTANCE_SOURCE[laid.system], *_carries(run.hot_place))
    return Result("wire", "The wire that is there", laid.name, words, sources, bool(faults))


def _far_short(run: Run, fuse_A: int, laid: Conductor | None) -> list[Result]:
    """How many times its rating the fuse sees when the far end is shorted: a long thin wire holds it back."""
    thinnest = smallest(run, METRIC, fuse_A) or smallest(run, GAUGES, fuse_A)
    found = thinnest if laid is None else fit(run, laid)
    if found is None:
        return []
    times = found.far_short_A / fuse_A
    slow = times < SURE_TO_BLOW
    judged = ", too little to blow it in time" if slow else ""
    words = (
        f"with a short circuit at its far end {found.conductor.name} alone lets {found.far_short_A:.0f} A "
        f"through at {run.conductor_C:g} °C, {times:.1f} times the fuse{judged}; the bank's own resistance "
        "makes it less. Close to the bank it is thousands of amperes: the fuse must be rated to break that, "
        "at DC"
    )
    return [Result("far_short_A", "Short circuit", found.far_short_A, words, (OHM,), slow)]
