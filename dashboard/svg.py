"""A plot as inline SVG text that fits any width without a script: words keep their size, lines theirs. Pure.

Words, grid lines and fields are placed in percent of the picture. Curves stand in a second coordinate system
that is stretched to the same place; the style sheet keeps their strokes from being stretched with it. Colour
comes from classes alone, so that the page's style decides on light, dark and night.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

CURVE_UNITS = 2_000
"""Width and height of the curves' own coordinates: finer than a phone's screen (our choice). Whole numbers
from point to point are what packs best: a fifth of the bytes of places in full."""

EDGE = 7.0
"""Percent of the width within which an hour's figures, centred, would be cut off on a phone (our choice)."""

SCALE_WIDTH = 19.0
"""Percent of the width that a scale's words take on a phone (our choice)."""

Points = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Plot:
    """Where data stand in a picture: x from left to right edge, y between top and bottom, both in percent of
    its height. What lies outside is cut off at the plot's edge."""

    x_first: float
    x_last: float
    y_low: float
    y_high: float
    top: float = 10.0
    bottom: float = 86.0

    def x(self, value: float) -> float:
        """Place of a value from the left, in percent, at most the picture's edges."""
        return min(100.0, max(0.0, 100 * (value - self.x_first) / (self.x_last - self.x_first)))

    def y(self, value: float) -> float:
        """Place of a value from the top, in percent, at most the plot's edges."""
        share = min(1.0, max(0.0, (value - self.y_low) / (self.y_high - self.y_low)))
        return self.bottom - share * (self.bottom - self.top)

    def line(self, points: Points, kind: str) -> str:
        """A curve through the points."""
        return f'<path class="{kind}" d="{self._course(points)}"/>' if points else ""

    def dots(self, points: Points, kind: str) -> str:
        """A dot on each point, as strokes without length: the style sheet rounds their ends."""
        course = "".join([f"M{x} {y}h0" for x, y in self._places(points)])
        return f'<path class="{kind}" d="{course}"/>' if points else ""

    def band(self, low: Points, high: Points, kind: str) -> str:
        """The field between two curves."""
        if not low:
            return ""
        return f'<path class="{kind}" d="{self._course([*high, *reversed(low)])}Z"/>'

    def curves(self, *paths: str) -> str:
        """Curves and bands in their stretched system, the first one lowest."""
        return (
            f'<svg viewBox="0 0 {CURVE_UNITS} {CURVE_UNITS}" preserveAspectRatio="none"'
            f' width="100%" height="100%">{"".join(paths)}</svg>'
        )

    def field(self, x_from: float, x_to: float, kind: str) -> str:
        """A field from top to bottom."""
        left, right = self.x(x_from), self.x(x_to)
        return (
            f'<rect class="{kind}" x="{left:.2f}%" y="{self.top:.2f}%"'
            f' width="{right - left:.2f}%" height="{self.bottom - self.top:.2f}%"/>'
        )

    def bar(self, x_from: float, x_to: float, y_from: float, y_to: float, kind: str) -> str:
        """A field between two values of x and two of y."""
        left, right, lower, upper = self.x(x_from), self.x(x_to), self.y(y_from), self.y(y_to)
        return (
            f'<rect class="{kind}" x="{left:.2f}%" y="{upper:.2f}%"'
            f' width="{right - left:.2f}%" height="{lower - upper:.2f}%"/>'
        )

    def across(self, y: float, kind: str) -> str:
        """A line from the left to the right edge."""
        at = f"{self.y(y):.2f}%"
        return f'<line class="{kind}" x1="0" x2="100%" y1="{at}" y2="{at}"/>'

    def upright(self, x: float, kind: str) -> str:
        """A line from top to bottom."""
        at = f"{self.x(x):.2f}%"
        return f'<line class="{kind}" x1="{at}" x2="{at}" y1="{self.top:.2f}%" y2="{self.bottom:.2f}%"/>'

    def mark(self, x: float, y: float, kind: str) -> str:
        """A dot on a point."""
        return f'<circle class="{kind}" cx="{self.x(x):.2f}%" cy="{self.y(y):.2f}%" r="5"/>'

    def tap(
        self, x_from: float, x_to: float, address: str, *, y_from: float | None = None, y_to: float = 0.0
    ) -> str:
        """A part of the picture, without y_from all of its height, that leads to an address. Keyboards and
        screen readers pass it by: a table on the page has the same links."""
        left, right = self.x(x_from), self.x(x_to)
        upper, lower = (0.0, 100.0) if y_from is None else (self.y(y_to), self.y(y_from))
        return (
            f'<a href="{escape(address)}" tabindex="-1"><rect class="tap" x="{left:.2f}%" y="{upper:.2f}%"'
            f' width="{right - left:.2f}%" height="{lower - upper:.2f}%"/></a>'
        )

    def _course(self, points: Points) -> str:
        """A path: the first place, then the steps from each place to the next."""
        places = self._places(points)
        steps = [f"{x - before_x} {y - before_y}" for (before_x, before_y), (x, y) in pairwise(places)]
        return f"M{places[0][0]} {places[0][1]}" + (f"l{' '.join(steps)}" if steps else "")

    def _places(self, points: Points) -> list[tuple[int, int]]:
        """The points in the curves' own coordinates, at most at the plot's edges."""
        x_first, x_last, y_low, y_high = self.x_first, self.x_last, self.y_low, self.y_high
        foot, per_x = self.bottom / 100 * CURVE_UNITS, CURVE_UNITS / (x_last - x_first)
        per_y = (self.bottom - self.top) / 100 * CURVE_UNITS / (y_high - y_low)
        xs, ys = [x for x, _ in points], [y for _, y in points]
        if points and (min(xs) < x_first or max(xs) > x_last or min(ys) < y_low or max(ys) > y_high):
            points = [(min(x_last, max(x_first, x)), min(y_high, max(y_low, y))) for x, y in points]
        return [(round((x - x_first) * per_x), round(foot - (y - y_low) * per_y)) for x, y in points]


def words(text: str, x: float, y: float, kind: str = "", *, rise: float = 0.0, edge: float = EDGE) -> str:
    """Words at a place in percent, raised by some rem; nearer to an edge than `edge` they grow inward."""
    anchor = "start" if x < edge else "end" if x > 100 - edge else "middle"
    named = f' class="{kind}"' if kind else ""
    raised = f' dy="{-rise:g}rem"' if rise else ""
    return f'<text{named} x="{x:.2f}%" y="{y:.2f}%" text-anchor="{anchor}"{raised}>{escape(text)}</text>'


def inset(*parts: str, left: float = SCALE_WIDTH) -> str:
    """What stands to the right of a picture's scale, in percent of that field; a script may move it there."""
    return (
        f'<svg x="{left:g}%" width="{100 - left:g}%" height="100%"><g class="goes">{"".join(parts)}</g></svg>'
    )


def picture(kind: str, *parts: str) -> str:
    """A whole picture. Its words are hidden from screen readers: the page tells the same in a sentence."""
    return f'<svg class="picture {kind}" aria-hidden="true">{"".join(parts)}</svg>'
