"""A buzzer or lamp on a pin of the computer: active while an alarm stands that nobody has acknowledged.

It follows the alarms' states and not the outbox: it needs no network and says nothing twice. Which library
drives the pins is chosen by gpiozero when it runs (its variable GPIOZERO_PIN_FACTORY names one).
"""

from __future__ import annotations

import time
from typing import Any

from monitor.errors import NoticeError
from monitor.log_lines import Warned
from monitor.notices.channels import Picture
from monitor.notices.policy import RANK, RINGS
from monitor.records import AlarmState
from monitor.site.channel_tables import ChannelEntry


class PinDisplay:
    """A channel of kind pin."""

    def __init__(self, entry: ChannelEntry) -> None:
        self._name, self._pin, self._active_high = entry.name, entry.pin, entry.active_high
        self._least = RANK[entry.least_priority]
        self._device: Any = None
        self._warned = Warned("%s")

    def show(self, picture: Picture) -> None:
        wanted = any(self._calls(state) for state in picture.alarms)
        try:
            if self._device is None:
                self._device = _device(self._pin, self._active_high)
            self._device.value = wanted
        except Exception as error:  # a pin's library may raise anything, and a lamp must not stop the daemon
            self._warned.fails(f"{self._name}: {self._advice(error)}")
        else:
            self._warned.went_well()

    def try_out(self, seconds: float) -> None:
        """Active for so long. Raises NoticeError where the pin cannot be driven."""
        try:
            self._device = self._device or _device(self._pin, self._active_high)
            self._device.on()
            time.sleep(seconds)
            self._device.off()
        except Exception as error:  # a pin's library may raise anything
            raise NoticeError(self._advice(error)) from None

    def close(self) -> None:
        if self._device is not None:
            self._device.close()
            self._device = None

    def _calls(self, state: AlarmState) -> bool:
        return state.state in RINGS and RANK.get(state.priority, 0) >= self._least

    def _advice(self, error: Exception) -> str:
        return (
            f"the pin GPIO{self._pin} cannot be driven ({error}); is it free, and may this user use it"
            " (group gpio)?"
        )


def _device(pin: int | None, active_high: bool) -> Any:
    from gpiozero import OutputDevice

    return OutputDevice(pin, active_high=active_high, initial_value=False)
