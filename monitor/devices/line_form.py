"""How a device writes its lines of text: start mark, separator, fields and checksum, found from a capture.

Only what a profile can say is looked for (`textline`). Where a stream holds lines of several kinds, told by
what stands in their first column or in one that changes from line to line, each kind has fields of its own.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from statistics import median

from monitor.devices.capture import CapturedLine
from monitor.devices.profile import Checksum, Form, TextProfile
from monitor.devices.textline import CHECK_MARK, NUMBER, pieces_of, sound_body
from monitor.errors import BadFrame

NOTHING = re.compile(r"(-+|\?+|\*+|n/?a|nan|null|none|)", re.IGNORECASE)
"""What devices write for 'not there' (common practice, no source)."""

KEY = re.compile(r"[A-Za-z_](?:[\w .()%/#-]*[\w.()%/#-])?", re.ASCII)
WITH_UNIT = re.compile(r"[+-]?\d+(\.\d+)? ?(m?V|m?A|k?Wh?|°?C|Ah|%)(?![\w=:])")
MARKS = "$!@#&%>~"
"""What may stand before the first character that counts (our choice)."""

SEPARATORS = tuple(own + more for own in ",;|\t/&: " for more in ("", " ") if (own, more) != (" ", " "))
ASSIGNS = ("=", ":", " ", "\t", " = ", ": ")

MOST = 0.5
"""What is true of the lines is true of this share at least (our choice): damage rarely hits every second."""

CHECKED = 0.2
"""A checksum that fits this share of the lines is theirs (our choice): by chance one of 256 lines fits."""

NUMBERS = 0.9
"""So many of a field's texts must be numbers or stand for 'not there' (our choice); the rest is damaged."""

KIND = 0.05
"""A kind of line makes at least this share of all (our choice): what is rarer is damage, or said once."""

SHORT_STAY = 2
"""A word that usually stays for no more lines names a kind of line, no state (our choice)."""

SAMPLE = 1000
"""So many lines of a long capture tell the form of all."""

Cells = Mapping[str | int, str]
"""The texts of one line by key or column."""

Rows = list[tuple[CapturedLine, Cells]]


@dataclass(frozen=True, slots=True)
class LineForm:
    """What holds for all lines. unknown_check: they end as with a checksum, but of no rule that is known."""

    form: Form
    start: str
    separator: str
    assign: str
    checksum: Checksum
    unknown_check: bool


@dataclass(frozen=True, slots=True)
class LineKind:
    """The sound lines of one kind and what they say. columns is their number, None in lines of pairs;
    constants what tells the kind; missing the texts that stand for 'not there'; values has one for each line.
    """

    columns: int | None
    constants: Mapping[int, str]
    missing: tuple[str, ...]
    lines: tuple[CapturedLine, ...]
    values: Mapping[str | int, tuple[float | None, ...]]
    steps: Mapping[str | int, float]


def find_form(lines: Sequence[CapturedLine]) -> LineForm | None:
    """The form of most lines, None where no form that a profile can say fits them."""
    texts = [line.text for line in lines[:: -(-len(lines) // SAMPLE)]]
    start, checksum = _checksum(texts)
    bodies = [body for text in texts if (body := _body(text, start, checksum)) is not None]
    worths = [(_worth(bodies, *way), way) for way in _ways(bodies)]
    best = max(worths, key=lambda item: item[0], default=None)
    if best is None or best[0] <= 0:
        return None
    form, separator, assign = best[1]
    unknown = checksum == "none" and _share(bodies, _ends_like_checked) >= MOST
    return LineForm(form, start, separator, assign, checksum, unknown)


def find_kinds(form: LineForm, lines: Sequence[CapturedLine]) -> list[LineKind]:
    """The kinds of line that carry numbers, the most frequent first."""
    rows: Rows = []
    for line in lines:
        body = _body(line.text, form.start, form.checksum)
        cells = _cells(body, form.form, form.separator, form.assign) if body is not None else {}
        if cells:
            rows.append((line, cells))
    least = 1 if form.checksum != "none" else max(2, KIND * len(rows))
    groups = _by_keys(rows) if form.form == "pairs" else _by_words(rows, form.start, least)
    kinds = [
        _kind(group, len(group[0][1]) if form.form == "columns" else None, constants)
        for group, constants in groups
        if len(group) >= least
    ]
    return sorted((kind for kind in kinds if kind is not None), key=lambda kind: -len(kind.lines))


def _by_keys(rows: Rows) -> Iterator[tuple[Rows, dict[int, str]]]:
    """Lines of pairs with the same keys; nothing else tells their kind."""
    yield from ((group, {}) for group in _grouped(rows, [sorted(map(str, cells)) for _, cells in rows]))


def _by_words(rows: Rows, start: str, least: float) -> Iterator[tuple[Rows, dict[int, str]]]:
    """Lines of columns of one kind, with the words that tell it: first by their number and the word in the
    first column, then by words that change from line to line.
    """
    first = _telling_columns(rows, start, [0])
    for family in _grouped(rows, [[len(cells), *(cells[at] for at in first)] for _, cells in rows]):
        if len(family) < least:
            continue
        telling = [*first, *_telling_columns(family, "", range(1, len(family[0][1])))]
        for group in _grouped(family, [[cells[at] for at in telling] for _, cells in family]):
            cells = group[0][1]
            yield group, {at: cells[at] for at in telling} | _transducers(cells)


def _grouped(rows: Rows, shapes: Iterable[Iterable[object]]) -> list[Rows]:
    """The rows of like shape together; one shape for each row."""
    groups: dict[tuple[object, ...], Rows] = {}
    for row, shape in zip(rows, shapes, strict=True):
        groups.setdefault(tuple(shape), []).append(row)
    return list(groups.values())


def hint(lines: Sequence[CapturedLine]) -> str:
    """Why no form fits, as far as the lines tell it."""
    texts = [line.text.decode("ascii", "replace") for line in lines]
    if _share(texts, lambda text: re.fullmatch(r"[A-Za-z]\w*\W+[-+.\d]+\W*", text) is not None) >= MOST:
        return "each line holds one value only; lines that hold all values at once are read"
    if _share(texts, lambda text: WITH_UNIT.search(text) is not None) >= MOST:
        return "units stand right behind the numbers; fields that hold a number alone are read"
    if _share(texts, lambda text: "\N{REPLACEMENT CHARACTER}" in text) >= MOST:
        return "most lines hold bytes that are no text; check baud and parity, and capture again"
    return "lines of key and value, or of numbers in columns, are read, each parted by one and the same mark"


def _share(texts: Sequence[str], holds: Callable[[str], bool]) -> float:
    return sum(map(holds, texts)) / len(texts)


def _checksum(texts: Sequence[bytes]) -> tuple[str, Checksum]:
    """The start mark and the checksum rule that enough lines fit."""
    (first, often) = Counter(text[:1] for text in texts).most_common(1)[0]
    mark = first.decode("ascii", "replace")
    starts = [mark, ""] if often >= MOST * len(texts) and mark in MARKS else [""]
    rules: tuple[Checksum, ...] = ("xor", "crc16")
    for start in starts:
        for rule in rules:
            if sum(_body(text, start, rule) is not None for text in texts) >= max(2, CHECKED * len(texts)):
                return start, rule
    return starts[0], "none"


def _body(text: bytes, start: str, checksum: Checksum) -> str | None:
    """The characters between start mark and checksum, None for a damaged line."""
    profile = TextProfile("", "", "", 1.0, "columns", start, "\t", "", checksum, None, {}, (), ())
    try:
        return sound_body(profile, text)
    except BadFrame:
        return None


def _ends_like_checked(body: str) -> bool:
    return re.search(re.escape(CHECK_MARK) + r"[0-9A-Fa-f]{2,8} *$", body) is not None


def _ways(bodies: Sequence[str]) -> Iterator[tuple[Form, str, str]]:
    """Every form, separator and assignment that could be meant."""
    for separator in SEPARATORS:
        if any(separator in body for body in bodies):
            yield "columns", separator, "="
            yield from (("pairs", separator, assign) for assign in ASSIGNS if assign not in separator)


def _worth(bodies: Sequence[str], form: Form, separator: str, assign: str) -> float:
    """Numbers less broken texts in a line, on average over all lines. A piece that is one word in capital or
    small letters breaks nothing; one that mixes digits and other signs does.
    """
    rows = [cells for body in bodies if (cells := _cells(body, form, separator, assign))]
    if form == "columns":
        common = {count for count, often in Counter(map(len, rows)).items() if often >= KIND * len(rows)}
        rows = [cells for cells in rows if len(cells) in common]
    worth = 0.0
    for cells in rows:
        for text in cells.values():
            broken = not _readable(text) and not text.strip(" ").replace("_", "").isalpha()
            tidy = 1.0 if text == text.strip(" ") else 0.9
            worth += tidy if _number(text) else -1.0 if broken else 0.0
    return worth / len(bodies) if bodies else 0.0


def _cells(body: str, form: Form, separator: str, assign: str) -> dict[str | int, str]:
    """The texts of a line by column or key; {} for a line that is not of this form."""
    pieces = pieces_of(body, separator, form)
    if form == "columns":
        return dict(enumerate(pieces)) if len(pieces) > 1 else {}
    found: dict[str | int, str] = {}
    for piece in pieces:
        key, assigned, text = piece.partition(assign)
        if not assigned or key in found or not KEY.fullmatch(key):
            return {}
        found[key] = text
    return found


def _telling_columns(rows: Rows, start: str, places: Iterable[int]) -> list[int]:
    """The columns among places whose words tell one kind of line from another.

    That is the first one behind a start mark, and any that goes to and fro between words that all come often,
    while a state would stay for long.
    """
    found = []
    for at in places:
        held = [str(cells[at]) for _, cells in rows]
        common = {text for text, often in Counter(held).items() if often >= KIND * len(held)}
        words = common and all(text[:1].isalpha() and not _readable(text) for text in common)
        if not words or sum(text in common for text in held) < NUMBERS * len(held):
            continue
        if (at == 0 and start) or (len(common) > 1 and _to_and_fro(held, common)):
            found.append(at)
    return found


def _to_and_fro(held: Sequence[str], common: Iterable[str]) -> bool:
    """Whether one of the common words usually stays for a line or two."""
    stays: dict[str, list[int]] = {}
    for text, group in groupby(held):
        stays.setdefault(text, []).append(len(list(group)))
    return min(median(stays[text]) for text in common) <= SHORT_STAY


def _transducers(cells: Cells) -> dict[int, str]:
    """Types and names in an XDR sentence of NMEA 0183: type, value, unit, name, four columns each."""
    if not str(cells.get(0, "")).endswith("XDR") or (len(cells) - 1) % 4:
        return {}
    return {at: cells[at] for at in range(len(cells)) if at % 4 == 1 or (at and at % 4 == 0)}


def _kind(rows: Rows, columns: int | None, constants: Mapping[int, str]) -> LineKind | None:
    """Rows of one kind with the values of their fields, None where they hold no number."""
    rows = [row for row in rows if all(row[1].get(at) == text for at, text in constants.items())]
    keys = [key for key in _number_fields([cells for _, cells in rows]) if key not in constants]
    rows = [row for row in rows if all(_readable(row[1].get(key, "")) for key in keys)]
    if not keys or not rows:
        return None
    texts = {key: [cells.get(key) for _, cells in rows] for key in keys}
    said = {text.strip(" ") for own in texts.values() for text in own if text is not None}
    missing = tuple(sorted(text for text in said if not _number(text)))
    values = {
        key: tuple(float(text) if text is not None and _number(text) else None for text in own)
        for key, own in texts.items()
    }
    lines = tuple(line for line, _ in rows)
    return LineKind(
        columns, constants, missing, lines, values, {key: _step(own) for key, own in texts.items()}
    )


def _number_fields(rows: Sequence[Cells]) -> list[str | int]:
    """The keys or columns that hold numbers in nearly all lines that have them."""
    found = []
    for key in dict.fromkeys(key for cells in rows for key in cells):
        texts = [cells[key] for cells in rows if key in cells]
        good = sum(map(_readable, texts))
        if len(texts) >= KIND * len(rows) and good >= NUMBERS * len(texts) and any(map(_number, texts)):
            found.append(key)
    return found


def _number(text: str) -> bool:
    return NUMBER.fullmatch(text.strip(" ")) is not None


def _readable(text: str) -> bool:
    return _number(text) or NOTHING.fullmatch(text.strip(" ")) is not None


def _step(texts: Sequence[str | None]) -> float:
    """What the last digit counts, by the text with most digits behind its point."""
    known = [text.strip(" ") for text in texts if text is not None and _number(text)]
    return float(10.0 ** -max(len(text.partition(".")[2]) for text in known))
