"""The search for a unit's readable registers: done once, remembered, so that a snapshot takes few requests.

Single registers are asked for all over the address space; from each that answers the readable stretch around
it is grown to both sides by ever longer reads, which a refusal halves until the hole is found. So a device
that refuses a whole block for one hole is read to its last register; one that answers for registers it does
not have is noticed by long stretches of one and the same word.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator
from enum import StrEnum

from monitor.devices.asking import Appetite, Asker, Nothing, Words
from monitor.devices.link import READ_FUNCTIONS
from monitor.devices.modbus import MOST_REGISTERS, REGISTERS
from monitor.devices.places import Places, Run
from monitor.errors import NoAnswer

FIRST_PLACES = (0, 1, 100, 256, 1000, 4096, 40000, 0x3000)
"""Asked first, to hear whether there is anyone (our choice)."""

NEAR = 16
"""Beyond the end of a readable stretch so many registers are tried one by one (our choice)."""

AROUND = 320
"""At the end so many registers around all that was found are tried one by one, with both functions: small
groups lie among larger ones (our choice)."""

SAME_WORDS = 256
"""A stretch of one and the same word longer than this is filler and not read again (our choice)..."""

MARGIN = 64
"""... but for so many registers at both its ends: what is nought now may not stay so."""

SILENCES_FOR_NOBODY = 150
"""So many silences and not one answer: nobody is there. Our choice: enough for the places up to 1000."""

SILENT_HOLES = 4
"""So many silences where others refuse show a device that stays silent for registers it does not have."""


class Reach(StrEnum):
    """How much of the address space is tried; see `probes`."""

    QUICK = "quick"
    USUAL = "usual"
    THOROUGH = "thorough"


SWEEP = {Reach.USUAL: 16, Reach.THOROUGH: 4}
"""Registers between two probes: a map's groups are rarely shorter than 16 (our choice)."""


def probes(reach: Reach) -> tuple[int, ...]:
    """The addresses at which single registers are tried, in order: round numbers first.

    Maps begin at hundreds and at multiples of 256 (common practice, no source).
    """
    round_ones = [
        *FIRST_PLACES,
        *range(0, 1024, 8),
        *range(0, 10_000, 50),
        *range(10_000, REGISTERS, 100),
        *range(0, REGISTERS, 256),
    ]
    sweep = range(0, REGISTERS, SWEEP[reach]) if reach in SWEEP else ()
    return tuple(dict.fromkeys([*round_ones, *sweep]))


class Search:
    """The search for one unit's readable registers. Iterate over `steps`; then `found` has the places."""

    def __init__(self, asker: Asker, reach: Reach = Reach.USUAL, largest: int | None = None) -> None:
        self._asker, self._reach = asker, reach
        self._appetite = Appetite(asker, largest)
        self._words: dict[int, dict[int, int]] = {function: {} for function in READ_FUNCTIONS}
        self._holes: dict[int, set[int]] = {function: set() for function in READ_FUNCTIONS}
        self._silent_holes = 0
        self._strangers = dict.fromkeys(READ_FUNCTIONS, 0)  # answers that the function is not known
        self._anyone, self._silences = False, 0
        self._remarks: list[str] = []
        self.probes = probes(reach)
        self.total = len(self.probes) * len(READ_FUNCTIONS)
        self.done = 0

    @property
    def registers(self) -> int:
        """Readable registers found so far."""
        return sum(len(words) for words in self._words.values())

    def steps(self) -> Iterator[None]:
        """The whole search, a pause before each request. Raises what `Asker.ask` raises, and NoAnswer where
        nobody answers."""
        for number, function in enumerate(READ_FUNCTIONS):
            for place, address in enumerate(self.probes):
                self.done = number * len(self.probes) + place
                if self._is_unknown_function(function, place) or self._is_too_slow(place):
                    break
                yield from self._try(function, address)
        if self._reach is not Reach.QUICK and self._silent_holes < SILENT_HOLES:
            yield from self._around()
        self.done = self.total

    def found(self) -> Places:
        """What the search has found."""
        runs = tuple(run for function in READ_FUNCTIONS for run in self._runs(function))
        return Places(runs, max(1, self._asker.proven), tuple(dict.fromkeys(self._remarks)))

    def _is_new(self, function: int, address: int) -> bool:
        return address not in self._words[function] and address not in self._holes[function]

    def _try(self, function: int, address: int) -> Iterator[None]:
        """Ask for one register, and where it answers for all around it."""
        if self._is_new(function, address):
            yield
            if self._single(function, address):
                yield from self._island(function, address)

    def _around(self) -> Iterator[None]:
        """Look near all that was found for small groups, with each function that the unit knows, until there
        is nothing new."""
        functions = [f for f in READ_FUNCTIONS if self._strangers[f] < len(FIRST_PLACES)]
        while True:
            found = {address for words in self._words.values() for address in words}
            near = tuple(_neighbourhood(found))
            wanted = [(f, address) for f in functions for address in near if self._is_new(f, address)]
            if not wanted:
                return
            self.done, self.total = self.total, self.total + len(wanted)
            for function, address in wanted:
                self.done += 1
                yield from self._try(function, address)

    def _is_unknown_function(self, function: int, place: int) -> bool:
        """Whether the unit has said to all of the first places that it does not know this function."""
        return place >= len(FIRST_PLACES) and self._strangers[function] >= len(FIRST_PLACES)

    def _is_too_slow(self, place: int) -> bool:
        """A sweep over a device that keeps silent for what it lacks costs a time-out a register."""
        late = self._silent_holes >= SILENT_HOLES and place >= len(probes(Reach.QUICK))
        if late and self._reach is Reach.USUAL:
            self._remarks.append(
                "It keeps silent for registers it does not have, so only the usual places were tried; "
                "--thorough tries all, which takes hours."
            )
            return True
        return False

    def _ask(self, function: int, address: int, count: int) -> Words | Nothing:
        got = self._asker.ask(function, address, count)
        if isinstance(got, tuple):
            self._words[function].update(zip(range(address, address + count), got, strict=True))
        if got is Nothing.NO_FUNCTION:
            self._strangers[function] += 1
        if got is not Nothing.SILENCE:
            self._anyone = True
        elif not self._anyone:
            self._silences += 1
            if self._silences >= SILENCES_FOR_NOBODY:
                raise NoAnswer(
                    "the unit answers nothing at all; `nightbank find` looks for line, speed and unit number"
                )
        return got

    def _single(self, function: int, address: int) -> bool:
        """Whether this one register is readable; silence is asked about again, unless it is usual here."""
        got = self._ask(function, address, 1)
        if got is Nothing.SILENCE and self._silent_holes < SILENT_HOLES:
            got = self._ask(function, address, 1)
            self._silent_holes += got is Nothing.SILENCE
        if isinstance(got, tuple):
            return True
        self._holes[function].add(address)
        return False

    def _island(self, function: int, address: int) -> Iterator[None]:
        """The readable stretch around an address, and its neighbours."""
        for way in (1, -1):
            at: int | None = address
            while at is not None:
                edge = yield from self._grow(function, at, way)
                at = yield from self._beyond(function, edge, way)
                if at is not None:
                    yield from self._grow(function, at, -way)

    def _grow(self, function: int, start: int, way: int) -> Generator[None, None, int]:
        """Go on from a readable register until the first that is not; gives that address as its value."""
        words, at, count = self._words[function], start, 1
        hole_before = None  # a refusal has said that there is a hole before this address
        while 0 <= at < REGISTERS and at not in self._holes[function]:
            if at in words:
                at += way
                continue
            count = min(count, self._asker.proven, self._room(function, at, way))
            if hole_before is not None:
                count = min(count, max(1, abs(hole_before - at) // 2))
            yield
            if count == 1:
                if not self._single(function, at):
                    break
            elif not isinstance(self._ask(function, _lowest(at, way, count), count), tuple):
                hole_before = at + way * count
                count //= 2
                continue
            at += way * count
            count *= 2
            yield from self._try_longer(function, at - way, way)
        return at

    def _try_longer(self, function: int, last: int, way: int) -> Iterator[None]:
        """Learn whether the unit gives more at once, on the readable stretch that ends at `last`."""
        readable = 0
        while readable < MOST_REGISTERS and last - way * readable in self._words[function]:
            readable += 1
        while (count := self._appetite.trial(readable)) is not None:
            yield
            if not isinstance(self._ask(function, _lowest(last, -way, count), count), tuple):
                self._appetite.refused(count)

    def _room(self, function: int, at: int, way: int) -> int:
        """How many unknown registers there are from here to a known one or the end; no more than proven."""
        room = 0
        while room < self._asker.proven and 0 <= at < REGISTERS and self._is_new(function, at):
            room += 1
            at += way
        return room

    def _beyond(self, function: int, edge: int, way: int) -> Generator[None, None, int | None]:
        """The next readable register behind the end of a stretch, None where there is none near."""
        for off in range(1, NEAR + 1):
            address = edge + way * off
            if not 0 <= address < REGISTERS or address in self._words[function]:
                return None
            if address not in self._holes[function]:
                yield
                if self._single(function, address):
                    return address
        return None

    def _runs(self, function: int) -> Iterator[Run]:
        words = self._words[function]
        kept = sorted(words.keys() - self._filler(function))
        start = 0
        for place in range(1, len(kept) + 1):
            if place == len(kept) or kept[place] != kept[place - 1] + 1:
                if start < place:
                    yield Run(function, kept[start], place - start)
                start = place

    def _filler(self, function: int) -> set[int]:
        """Registers inside long stretches of one word, which no snapshot needs to read."""
        words = self._words[function]
        ordered = sorted(words)
        filler: set[int] = set()
        start = 0
        for place in range(1, len(ordered) + 1):
            here = ordered[place] if place < len(ordered) else -1
            if here == ordered[place - 1] + 1 and words[here] == words[ordered[start]]:
                continue
            if place - start > SAME_WORDS:
                alone = place - start == len(ordered)
                margin = 0 if alone else MARGIN
                filler |= set(ordered[start + margin : place - margin])
                self._remarks.append(self._filler_words(function, words[ordered[start]], alone))
            start = place
        return filler

    def _filler_words(self, function: int, word: int, alone: bool) -> str:
        if alone:
            return (
                f"Function {function}: every register that answers holds {word}. The device is there but "
                "tells nothing this way: it may be asleep, or a gateway answers for it."
            )
        return (
            f"Function {function}: long stretches answer {word}, most likely where there is nothing; they "
            "are left out."
        )


def _lowest(at: int, way: int, count: int) -> int:
    """The lowest of `count` addresses that begin at `at` and go up (way 1) or down (way -1)."""
    return at if way > 0 else at - count + 1


def _neighbourhood(addresses: Iterable[int]) -> Iterator[int]:
    """Every address that lies within AROUND of any of these, each once."""
    following = 0
    for address in sorted(addresses):
        first = max(following, address - AROUND)
        following = min(address + AROUND + 1, REGISTERS)
        yield from range(first, following)
