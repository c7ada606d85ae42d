"""The [[alarms]] tables of a site file as a frozen model."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from monitor.quantities import QUANTITIES
from monitor.site.hours import parse_hours
from monitor.site.sign_names import SIGNS
from monitor.site.table import Table, told
from monitor.toml_lines import did_you_mean


def _known_quantity(name: str) -> str:
    if name not in QUANTITIES and name not in SIGNS:
        raise told(f"unknown quantity {name!r}; {did_you_mean(name, [*QUANTITIES, *SIGNS])}")
    return name


def _known_hours(text: str) -> str:
    try:
        parse_hours(text)
    except ValueError as error:
        raise told(str(error)) from None
    return text


def _months(months: tuple[int, ...]) -> tuple[int, ...]:
    if not months or len(set(months)) < len(months):
        raise told(f"{list(months)} are no season; name each month once, such as [11, 12, 1, 2]")
    return months


Month = Annotated[int, Field(ge=1, le=12)]
Delay = Annotated[float, Field(ge=0, le=7 * 86_400)]
Priority = Literal["low", "medium", "high", "urgent"]
NoticePolicy = Literal["by priority", "at once", "digest", "none"]


class AlarmEntry(Table):
    """[[alarms]]; changes what it names of the shipped rule of the same name, or adds a rule.

    quantity is a canonical quantity or one of our signs (`site/sign_names.py`); an added rule needs it, its
    condition and its set_point (`load.py` looks). months and hours are the season and the local hours in
    which the rule is judged. None: as shipped, for an added rule the default in `alarms/rules.py`.
    """

    name: str = Field(min_length=1, max_length=60)
    quantity: Annotated[str, AfterValidator(_known_quantity)] | None = None
    condition: Literal["below", "above"] | None = None
    set_point: float | None = None
    deadband: float | None = Field(default=None, ge=0)
    on_delay_s: Delay | None = None
    off_delay_s: Delay | None = None
    priority: Priority | None = None
    months: Annotated[tuple[Month, ...], Field(strict=False), AfterValidator(_months)] | None = None
    hours: Annotated[str, AfterValidator(_known_hours)] | None = None
    latching: bool | None = None
    notice: NoticePolicy | None = None
    do_first: str | None = Field(default=None, max_length=120)
    enabled: bool = True
