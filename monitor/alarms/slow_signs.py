"""Signs that change slowly, judged once a minute: the outlook, daylight, full charges, heat, silence. Pure.

They take what was asked of the store and give what it shows, None where it cannot tell.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import tzinfo

from monitor.alarms.seen import Seen
from monitor.alarms.signs import CHARGE, NET, TEMPERATURE, VOLTAGE, Values
from monitor.bank.description import BankDescription
from monitor.bank.setpoints import REFERENCE_C
from monitor.bank.signs import LIT_ABOVE_V
from monitor.derive import DERIVED
from monitor.quantities import QUANTITIES
from monitor.records import DAY_MS, HOUR_MS, DeviceHealth, Quality, Reading, parse_iso, to_datetime
from monitor.sun.day import STEP_S, Clear
from monitor.sun.held import CHARGED, REGULATED

OUTLOOK_AGE_MS = HOUR_MS
"""An older outlook, four times its interval, tells nothing any more (our choice)."""

DAYLIGHT_FROM = 0.15
"""Daylight enough: a clear sky would give this share of the array's rated power (our choice)."""

FULL_FROM = 0.9
"""A bank fuller than this may be why a controller takes nothing (our choice)."""

STEP_MIN, STEPS = 20, 6
"""Thermal runaway is looked for in two hours' means of 20 minutes (our choice)."""

HELD_SHARE = 0.01
"""A voltage that varies by less, as it is or compensated for temperature, is held (our choice)."""

RISES_BY, RISES_C_RATE = 1.25, 0.005
"""A float current that rises by a quarter, and by this share of the capacity in an hour (our choice: a
healthy bank's float current is 0.1 to 1 % of it, and a warm morning changes it by less)."""

FRESH_MS = 180_000
"""A doubtful reading younger than this is of now (our choice)."""


def low_before_morning(note: str | None, now_ms: int, zone: tzinfo) -> Seen | None:
    """The outlook's probability to fall below the reserve, or to be cut off, before the array helps again."""
    try:
        told = json.loads(note or "null")
        if told is None or not -OUTLOOK_AGE_MS <= now_ms - parse_iso(told["at"]) <= OUTLOOK_AGE_MS:
            return None
        probability = told["crosses_reserve_probability"]
        cut = told.get("crosses_disconnect_probability") or 0.0
        if not isinstance(probability, (int, float)) or not isinstance(cut, (int, float)):
            return None
        probability = max(probability, cut)
        ends = told.get("array_helps_from") or told.get("sunrise")
        worthless_ms = None if ends is None else parse_iso(ends)
        low_at = told.get("low_at")
        when = (
            "" if low_at is None else f", lowest at {to_datetime(parse_iso(low_at)).astimezone(zone):%H:%M}"
        )
        words = str(told.get("sentence") or "").rstrip(".")
        words = words[:1].lower() + words[1:]
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    chance = f"{100 * probability:.0f} %"
    words = words or f"the charge falls below the reserve before morning, chance {chance}{when}"
    values: dict[str, float | None] = {"low_before_morning": probability}
    half = (told.get("soc_min") or {}).get("p50")
    if isinstance(half, (int, float)):
        values["soc_min_p50"] = half
    return Seen(float(probability), words, values, worthless_ms=worthless_ms)


def clear_now(steps: Sequence[Clear] | None, now_ms: int) -> Clear | None:
    """The step of a day's table that holds a moment."""
    if not steps:
        return None
    at = (now_ms - steps[0].start_ms) // (STEP_S * 1000)
    return steps[at] if 0 <= at < len(steps) else None


def is_daylight(clear: Clear | None, rated_W: float) -> bool:
    """Whether a clear sky would give enough to miss it."""
    return clear is not None and clear.passed_W >= DAYLIGHT_FROM * rated_W


def daylight_share(bank: BankDescription, now: Values, clear: Clear | None, rated_W: float) -> Seen | None:
    """What the array gives over what a clear sky would; None at night, without table and without readings.

    A bank that holds its voltage, or that is full while the array stands open, takes what it needs: then the
    sign does not apply.
    """
    power_W, voltage_V = now.get("array_power_W"), now.get(VOLTAGE)
    if power_W is None and voltage_V is not None and "charge_current_A" in now:
        power_W = voltage_V * now["charge_current_A"]
    if clear is None or power_W is None or not is_daylight(clear, rated_W):
        return None
    array_V = now.get("array_voltage_V")
    stands = "" if array_V is None else f", the array stands at {array_V:.1f} V"
    words = f"the array gives {power_W:.0f} W where a clear sky gives {clear.passed_W:.0f} W{stands}"
    values = {"array_power_W": power_W, "array_voltage_V": array_V, "clear_sky_W": clear.passed_W}
    return Seen(power_W / clear.passed_W, words, values, applies=not _takes_nothing(bank, now))


def _takes_nothing(bank: BankDescription, now: Values) -> bool:
    voltage_V, array_V, stage = now.get(VOLTAGE), now.get("array_voltage_V"), now.get("charge_stage")
    if stage is not None and round(stage) in REGULATED:
        return True
    if voltage_V is None:
        return False
    absorption_V = bank.set_points.at(now.get(TEMPERATURE)).absorption_V
    lit = array_V is not None and array_V > voltage_V + LIT_ABOVE_V
    return voltage_V >= CHARGED * absorption_V or (lit and now.get(CHARGE, 0.0) >= FULL_FROM)


def days_since_full(full_ms: int | None, first_ms: int | None, now_ms: int) -> Seen | None:
    """Days since the last full charge; where none was seen, since the record began."""
    since_ms = full_ms if full_ms is not None else first_ms
    if since_ms is None:
        return None
    days = max(0.0, (now_ms - since_ms) / DAY_MS)
    if full_ms is None:
        words = f"no full charge was seen in the {days:.0f} days since the record began"
    else:
        words = f"the bank was last full {days:.0f} days ago"
    return Seen(days, words, {"days_since_full": days})


def runaway(bank: BankDescription, rows: Sequence[Values]) -> Seen | None:
    """Rise of the bank's temperature while voltage is held and current rises, over STEPS means in time order.

    Applies only where each third of the time is warmer and takes more than the one before. None where the
    rows do not fill the time or leave one of the three out.
    """
    wanted = (VOLTAGE, NET, TEMPERATURE)
    if len(rows) < STEPS or any(name not in row for row in rows for name in wanted):
        return None
    volts, amps, degrees = ([row[name] for row in rows[-STEPS:]] for name in wanted)
    slope = bank.set_points.compensation_V_per_C
    at_25_V = [v - slope * (c - REFERENCE_C) for v, c in zip(volts, degrees, strict=True)]
    third = STEPS // 3
    amp, degree = (
        [sum(each[i : i + third]) / third for i in range(0, STEPS, third)] for each in (amps, degrees)
    )
    float_V = bank.set_points.float_V or bank.set_points.absorption_V
    held = min(_spread(volts), _spread(at_25_V)) <= HELD_SHARE and min(at_25_V) >= (1 - HELD_SHARE) * float_V
    grows = amp[0] < amp[1] < amp[2] and amp[2] >= RISES_BY * amp[0]
    grows = grows and amp[2] - amp[0] >= RISES_C_RATE * bank.capacity_Ah
    warms = degree[0] < degree[1] < degree[2]
    rise_C = degree[2] - degree[0]
    words = (
        f"at a held {volts[-1]:.2f} V the current rose from {amp[0]:.1f} to {amp[2]:.1f} A and the bank from"
        f" {degree[0]:.0f} to {degree[2]:.0f} °C in two hours"
    )
    values = {VOLTAGE: volts[-1], NET: amps[-1], TEMPERATURE: degrees[-1]}
    return Seen(rise_C, words, values, applies=held and grows and warms)


def _spread(values: Sequence[float]) -> float:
    return (max(values) - min(values)) / max(values)


def silence_s(health: DeviceHealth | None, now_ms: int, speed: float) -> float | None:
    """Seconds since a device last answered, 0 while it answers; None for one that nobody asked yet."""
    if health is None:
        return None
    if health.state == "answering":
        return 0.0
    since_ms = health.since_ms if health.last_good_ms is None else health.last_good_ms
    return max(0, now_ms - since_ms) / 1000 / speed


def device_silence(health: DeviceHealth | None, now_ms: int, speed: float) -> Seen | None:
    """How long one device has been silent."""
    quiet_s = silence_s(health, now_ms, speed)
    if quiet_s is None or health is None:
        return None
    error = f" ({health.last_error})" if health.last_error else ""
    ever = "never answered" if health.last_good_ms is None else f"not answered for {quiet_s / 60:.0f} min"
    words = f"{health.device} has {ever} on {health.connection}{error}"
    return Seen(quiet_s, words, {"silence_s": quiet_s})


def line_silence(healths: Sequence[DeviceHealth | None], now_ms: int, speed: float) -> Seen | None:
    """How long all devices of a line have been silent together."""
    quiet = [silence_s(health, now_ms, speed) for health in healths]
    known = [each for each in quiet if each is not None]
    if not known or len(known) < len(quiet):
        return None
    first = next(health for health in healths if health is not None)
    words = (
        f"none of its {len(healths)} devices has answered for {min(known) / 60:.0f} min on {first.connection}"
    )
    return Seen(min(known), words, {"line_silence_s": min(known)})


def implausible(latest: Iterable[Reading], now_ms: int, unbelieved: frozenset[str]) -> Seen:
    """How many measured quantities have a doubtful reading now; unbelieved names those that are doubted for
    another reason (a controller's own balance beside a shunt)."""
    doubtful = [
        reading
        for reading in latest
        if reading.quality is Quality.SUSPECT
        and reading.device != DERIVED
        and reading.quantity not in unbelieved
        and abs(now_ms - reading.time_ms) <= FRESH_MS
    ]
    told = "; ".join(
        f"{QUANTITIES[each.quantity].meaning} of {each.device}"
        f"{'' if each.value is None else f' reads {each.value:g} {QUANTITIES[each.quantity].unit}'.rstrip()},"
        f" {each.reason}"
        for each in doubtful[:2]
    )
    more = f"; and {len(doubtful) - 2} more" if len(doubtful) > 2 else ""
    values: Mapping[str, float | None] = {f"{r.device} {r.quantity}": r.value for r in doubtful}
    return Seen(float(len(doubtful)), f"{told}{more}", values)
