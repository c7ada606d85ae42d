"""How well `nightbank match --text` finds the form and the fields of drawn lines of text.

    python -m tests.bench.match_lines [--seeds 3001-3060] [--spoilt 0.1] [--checksum none]

Each seed draws the supply, the display and the looks of `simulator/maps`, and a device that writes lines:
pairs or columns, with or without start mark and checksum, one kind of line or two, captured with or without
times, with words, a clock, aligned columns, a mark for a missing probe or a banner among the numbers now and
then. A share of the lines is damaged as a bad line does it, those beside a look among them.

form       separator (but for blanks), form, start mark, checksum and kinds of line are the device's own
right      the field says what the quantity's own does all through the next day, of what both give
certain    right and called certain, of the same
WRONG      called certain and wrong, or called certain though no field carries it: must be 0
open       of the quantities that no field carries
refused    captures of which nothing was said, since too few lines were sound

The matcher's numbers were chosen with register maps in view (`match_maps`); what is of lines alone with seeds
1 to 60 of these, and doubts after what was wrong in 5070, 8298 and 9055.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from pathlib import Path

from monitor.errors import MatchError
from monitor.match.answer import FIELD_KEYS, document
from monitor.match.fields import Lines, load_lines, match_lines
from monitor.match.seen import load_seen
from tests.bench.figures import accuracy, hand_over
from tests.bench.match_maps import span_of
from tests.maps.lines import LineCase, draw_lines, says_the_same


def form_right(drawn: LineCase, lines: Lines) -> bool:
    """Whether the lines are understood as they were written."""
    form = lines.form
    kinds = {kind.constants.get(0, "") for kind in lines.kinds}
    told = (form.form, form.start, form.separator.strip(" "), form.checksum, kinds)
    return told == (drawn.form, drawn.start, drawn.separator.strip(" "), drawn.checksum, set(drawn.kinds))


def judge(drawn: LineCase, looks: int, spoilt: float, folder: Path, counts: Counter[str]) -> list[str]:
    """Add one device's answer to the counts; a line for each that is wrong."""
    where = f"seed {drawn.case.seed}, {looks} looks"
    capture, seen = drawn.write(folder, looks, spoilt)
    counts["devices"] += 1
    shown = {quantity for _, digits in drawn.case.seen(looks) for quantity in digits}
    counts["carried"] += len(shown & set(drawn.carried))
    try:
        lines = load_lines(capture)
        looks_read = load_seen(seen, lines)
    except MatchError as fault:
        counts["refused"] += 1
        return [f"  {where}: {fault}"]
    counts["form"] += form_right(drawn, lines)
    wrong = []
    if not form_right(drawn, lines):
        wrong.append(f"  form, {where}: {lines.form} {[kind.constants for kind in lines.kinds]}")
    answer = match_lines(lines, looks_read)
    keys = FIELD_KEYS[lines.form.form]
    for quantity, entry in document(answer, None, keys)["quantities"].items():
        certain = entry["state"] == "certain"
        good = quantity in drawn.carried and says_the_same(drawn, quantity, entry)
        if quantity in drawn.carried:
            counts["right"] += good
            counts["certain"] += good and certain
        else:
            counts["absent"] += 1
            counts["open"] += entry["state"] == "open"
        if certain and not good:
            counts["WRONG"] += 1
            wrong.append(f"  WRONG {where}: {quantity} {[entry.get(key) for key in keys]}")
    return wrong


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", type=span_of, default=span_of("3001-3060"), metavar="FIRST-LAST")
    parser.add_argument("--spoilt", type=float, default=0.1, help="share of damaged lines")
    parser.add_argument("--checksum", choices=("none", "xor", "crc16"))
    asked = parser.parse_args()
    print(f"seeds {asked.seeds[0]} to {asked.seeds[-1]}, {asked.spoilt:g} of the lines damaged")
    counts = {looks: Counter[str]() for looks in (1, 2, 3)}
    told = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in asked.seeds:
            drawn = draw_lines(seed, asked.checksum)
            for looks, own in counts.items():
                told += judge(drawn, looks, asked.spoilt, Path(folder), own)
    for looks, own in counts.items():
        print(
            f"{looks} looks: form {own['form']}/{own['devices']}, right {own['right'] / own['carried']:.3f}, "
            f"certain {own['certain'] / own['carried']:.3f} of {own['carried']}, WRONG {own['WRONG']}, "
            f"open {own['open']}/{own['absent']}, refused {own['refused']}"
        )
    last, devices = counts[max(counts)], "devices that write lines"
    hand_over(
        accuracy("form of the lines understood", last["form"] / last["devices"], "", devices),
        accuracy("fields right after 3 looks", last["right"] / last["carried"], "", devices),
        accuracy("fields right and called certain", last["certain"] / last["carried"], "", devices),
        accuracy(
            "fields called certain and wrong", sum(own["WRONG"] for own in counts.values()), "", at_most=0
        ),
    )
    print("\n".join(told))


if __name__ == "__main__":
    main()
