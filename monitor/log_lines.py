"""The log of a process that runs for years: plain lines on standard error, and never more than a card bears.

Whatever fails for weeks, and however often, the log stays short: lines that differ in their numbers alone are
alike, and of these a few come at once and then one now and then, with the count of those that were left out.
A bound on all lines together stands behind it. What was left out is not lost: devices' failures are counted
in their health, alarms, notices and requests stand in the store.
"""

from __future__ import annotations

import logging
import re
import sys
from collections import OrderedDict
from collections.abc import Callable
from time import monotonic

ALIKE_AT_ONCE, ALIKE_EACH_S = 4, 900.0
"""So many lines that are alike at once, then one each quarter of an hour (our choice)."""

LINES_AT_ONCE, LINES_EACH_S = 120, 60.0
"""So many lines of all kinds at once, then one a minute (our choice: the journal takes up to a kilobyte for
each, which makes 1.5 MB a day at the worst, of the 55 MB that a card may take in all)."""

MOST_KINDS = 100
"""So many kinds of lines are told apart; the one that has not come for longest is forgotten (our choice)."""

TOO_MANY = "WARNING too many lines: more are left out until it is calmer"

_NUMBER = re.compile(r"[-+]?\d[\d.,:]*")

log = logging.getLogger("nightbank")


def log_to_stderr(level: int = logging.INFO) -> None:
    """Plain lines: under systemd the journal adds time and unit, at a terminal nobody misses them."""
    handler = FewLines()
    handler.setFormatter(logging.Formatter("%(levelname)s %(message)s"))
    logging.basicConfig(handlers=[handler], level=level)


class Warned:
    """The log's word on work that fails day after day: the same failure once, until the work went well."""

    def __init__(self, text: str) -> None:
        """text has a place for the reason, %s."""
        self._text, self._told = text, ""

    def fails(self, why: str) -> None:
        """Tell the reason, unless it is the one that was told last."""
        if why != self._told:
            self._told = why
            log.warning(self._text, why)

    def went_well(self) -> None:
        """What fails next is told again."""
        self._told = ""


class Allowance:
    """How often something may happen: `at_once` times, and once more with each `each_s` that pass."""

    def __init__(self, at_once: int, each_s: float, now_s: float) -> None:
        self._most, self._each_s = at_once, each_s
        self._left, self._since_s = float(at_once), now_s

    def take(self, now_s: float, count: int = 1) -> bool:
        """Whether it may happen now, `count` times at once; then it counts as having happened."""
        self._left = min(self._most, self._left + (now_s - self._since_s) / self._each_s)
        self._since_s = now_s
        # what is larger than all that may come at once may come where nothing else came
        if self._left < min(count, self._most):
            return False
        self._left -= count
        return True

    @property
    def is_used_up(self) -> bool:
        """Whether it may not happen once more right now."""
        return self._left < 1


class _Kind:
    """What is remembered of lines that are alike."""

    def __init__(self, now_s: float) -> None:
        self.allowance = Allowance(ALIKE_AT_ONCE, ALIKE_EACH_S, now_s)
        self.left_out = 0


class FewLines(logging.Handler):
    """Writes log lines to standard error, few of those that are alike and not too many of all."""

    def __init__(self, elapsed_s: Callable[[], float] = monotonic) -> None:
        """elapsed_s counts seconds and never jumps."""
        super().__init__()
        self._elapsed_s = elapsed_s
        self._kinds: OrderedDict[str, _Kind] = OrderedDict()
        self._lines = Allowance(LINES_AT_ONCE, LINES_EACH_S, elapsed_s())
        self._left_out = 0

    def emit(self, record: logging.LogRecord) -> None:
        """See logging.Handler, which holds its lock meanwhile."""
        try:
            text = self.format(record)
            said = self._said(text, self._kind(text), self._elapsed_s())
            if said:
                sys.stderr.write(said + "\n")
                sys.stderr.flush()
        except Exception:
            self.handleError(record)

    def _kind(self, text: str) -> _Kind:
        name = _NUMBER.sub("0", text.partition("\n")[0])
        if name not in self._kinds:
            self._kinds[name] = _Kind(self._elapsed_s())
        self._kinds.move_to_end(name)
        if len(self._kinds) > MOST_KINDS:
            self._kinds.popitem(last=False)
        return self._kinds[name]

    def _said(self, text: str, kind: _Kind, now_s: float) -> str:
        """The lines to write for a new one: with what was left out before, '' where it is left out itself."""
        if not kind.allowance.take(now_s):
            kind.left_out += 1
            return ""
        if not self._lines.take(now_s, text.count("\n") + 1):
            self._left_out += 1
            return "" if self._left_out > 1 else TOO_MANY
        said = f"WARNING {self._left_out} lines were left out\n{text}" if self._left_out else text
        if kind.left_out:
            said += f" ({kind.left_out} more like this were left out before it)"
        elif kind.allowance.is_used_up:
            said += f" (of more like this one each {ALIKE_EACH_S / 60:.0f} min is told)"
        kind.left_out = self._left_out = 0
        return said
