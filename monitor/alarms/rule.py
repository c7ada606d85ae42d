"""What an alarm rule is: a limit on a quantity or a sign, its delays, and what a person is told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo

from monitor.alarms.engine import Verdict
from monitor.quantities import QUANTITIES
from monitor.records import to_datetime
from monitor.site.alarm_table import NoticePolicy, Priority
from monitor.site.hours import Hours
from monitor.site.sign_names import judged

SHARES = {"charge_at_most", "low_before_morning", "daylight_share"} | {
    quantity.name for quantity in QUANTITIES.values() if quantity.is_share
}
"""Signs and quantities that a person reads in percent."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. The alarm comes when the value has been beyond set_point for on_delay_s, and goes when it
    has been back by more than deadband for off_delay_s.

    quantity is a canonical quantity or a sign (`site/sign_names.py`), of the device or line `subject` where
    that is not ''. beyond is 'below' or 'above'. priority is 'low' (page only), 'medium' (in a digest),
    'high' (at once, but held in quiet hours) or 'urgent' (at once, repeated until acknowledged); notice may
    set another way to tell. do_first is what to do first, one short imperative sentence, caution '' or what
    to know before touching anything. latching: it waits for a reset after it has returned. months and hours
    (local) are when it is judged, None: always.
    """

    name: str
    quantity: str
    beyond: str
    set_point: float
    deadband: float
    on_delay_s: float
    off_delay_s: float
    priority: Priority
    do_first: str = ""
    caution: str = ""
    notice: NoticePolicy = "by priority"
    latching: bool = False
    months: frozenset[int] | None = None
    hours: Hours | None = None
    subject: str = ""

    def is_beyond(self, value: float) -> bool:
        return value < self.set_point if self.beyond == "below" else value > self.set_point

    def is_back(self, value: float) -> bool:
        """Clear of the set point by the deadband."""
        if self.beyond == "below":
            return value >= self.set_point + self.deadband
        return value <= self.set_point - self.deadband

    def is_judged_at(self, time_ms: int, zone: tzinfo) -> bool:
        """Whether the rule's season and local hours hold at a moment."""
        if self.months is not None and to_datetime(time_ms).astimezone(zone).month not in self.months:
            return False
        return self.hours is None or self.hours.hold(time_ms, zone)

    def shows(self, value: float) -> str:
        """A value with the rule's unit: '11.68 V', '42 %'."""
        if self.quantity in SHARES:
            return f"{100 * value:.3g} %"
        return f"{value:.4g} {judged(self.quantity).unit}".rstrip()

    def says(self, value: float, words: str = "") -> str:
        """One plain sentence without its point: what is, by how much, and the limit."""
        told = words or f"{self.shows(value)} is {self.beyond} {self.shows(self.set_point)}"
        return f"{self.name}: {told}"

    def verdict(
        self, time_ms: int, value: float, words: str = "", values: Mapping[str, float | None] | None = None
    ) -> Verdict:
        """What a value means under this rule."""
        decided = {self.quantity: value} if values is None else values
        beyond, back = self.is_beyond(value), self.is_back(value)
        return Verdict(time_ms, value, beyond, back, self.says(value, words) if beyond else "", decided)
