"""A person in front of a simulated supply who does what `nightbank match` asks, look by look."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.match import asking
from monitor.match.answer import Answer, match
from monitor.match.dump import Dump, Snapshot
from simulator.maps.case import Kind, draw_device
from simulator.maps.course import DAY_MS, Course, Moment
from simulator.maps.display import Display
from simulator.maps.layout import RegisterMap
from tests.maps.judge import looks_of

MINUTE_MS = 60_000
MOST_LOOKS = 9


@dataclass(frozen=True, slots=True)
class Talk:
    """How it ended: the last answer, and how many further looks were asked for."""

    map: RegisterMap
    display: Display
    moments: tuple[Moment, ...]
    answer: Answer
    questions: int


class Person:
    """Does an act and then reads the display; between two acts some minutes or hours pass."""

    def __init__(self, seed: int) -> None:
        self._course = Course(seed)
        self._now_ms = self._course.world.start_ms + 2 * DAY_MS + 9 * 60 * MINUTE_MS

    def look(self, act: str | None) -> Moment:
        """What is true when the act has been done."""
        plant = self._course.plant
        self._now_ms += 5 * MINUTE_MS
        if act in (asking.SUN, asking.LAMP_IN_SUN, asking.ARRAY_VOLTS, asking.WARMER):
            self._wait_until(12.5)
        elif act in (asking.DARK, asking.COOLER):
            self._wait_until(21.5)
        elif act in (asking.LATER, asking.STEADY):
            self._now_ms += 3 * 60 * MINUTE_MS
        elif act == asking.OTHER_DAY:
            self._now_ms += 2 * DAY_MS
        self._course.at(self._now_ms)
        if act in (asking.LAMP, asking.LAMP_IN_SUN, asking.DARK):
            plant.loads.set("lamps", True)
        elif act == asking.LAMP_OFF:
            plant.loads.set("lamps", False)
        if act == asking.OUTPUT_OFF:
            plant.controller.load_on = False
        plant.sky.clearness = 0.0 if act == asking.COVER else None
        self._now_ms += 20_000
        moment = self._course.at(self._now_ms)
        plant.sky.clearness = None
        plant.controller.load_on = True
        return moment

    def _wait_until(self, hour: float) -> None:
        of_day = self._now_ms % DAY_MS
        wanted = round(hour * 60 * MINUTE_MS)
        self._now_ms += (wanted - of_day) % DAY_MS


def talk(seed: int, kind: Kind) -> Talk:
    """Look, match, do what is asked, look again; until nothing is asked."""
    made, display = draw_device(seed, kind, 0.1)
    person = Person(seed)
    moments = [person.look(None)]
    while True:
        dump = Dump(tuple(Snapshot(moment.time_ms, made.snapshot(moment.now)) for moment in moments))
        looks = looks_of(dump, [(moment.time_ms, display.read(moment)) for moment in moments])
        looks = tuple(replace(look, output_off=not moments[look.index].now["load_on"]) for look in looks)
        answer = match(dump, looks)
        asked = asking.ask(answer)
        if asked is None or len(moments) == MOST_LOOKS:
            return Talk(made, display, tuple(moments), answer, len(moments) - 1)
        moments.append(person.look(asked.act))
