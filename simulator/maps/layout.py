"""A register map: which register holds which fact, what the others hold, and a snapshot of all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from simulator.maps.course import Facts
from simulator.maps.words import Encoding, WordOrder, pack, width

QUANTITIES = (
    "battery_voltage_V",
    "charge_current_A",
    "battery_current_A",
    "array_voltage_V",
    "array_current_A",
    "array_power_W",
    "load_current_A",
    "battery_temperature_C",
    "controller_temperature_C",
    "energy_today_Wh",
    "state_of_charge_percent",
)
"""What a display may show, by the names that the rest of the project uses."""

Place = tuple[int, int]
"""Function and address."""


@dataclass(frozen=True, slots=True)
class Field:
    """One fact in one or two registers: value = raw * scale + offset; negate stores the other sign."""

    fact: str
    function: int
    address: int
    encoding: Encoding
    order: WordOrder | None = None
    scale: float = 1.0
    offset: float = 0.0
    cut: bool = False
    negate: bool = False

    @property
    def places(self) -> tuple[Place, ...]:
        """Its registers."""
        return tuple((self.function, self.address + n) for n in range(width(self.encoding)))

    def words(self, facts: Facts) -> tuple[int, ...]:
        """What its registers hold."""
        value = -facts[self.fact] if self.negate else facts[self.fact]
        return pack(value, self.encoding, self.order, self.scale, self.offset, self.cut)


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """A device's readable registers. `carried` names, for each quantity, the fields that hold it."""

    fields: tuple[Field, ...]
    constants: Mapping[Place, int]
    carried: Mapping[str, tuple[Field, ...]]
    largest_request: int

    def snapshot(self, facts: Facts) -> dict[Place, int]:
        """Every readable register with its word."""
        words = dict(self.constants)
        for field in self.fields:
            for place, word in zip(field.places, field.words(facts), strict=True):
                shared = words.get(place, 0) if len(field.encoding) == 4 else 0  # two halves in one register
                words[place] = shared | word
        return words


class Layout:
    """A map being laid out; every function has its own addresses."""

    def __init__(self) -> None:
        self.fields: list[Field] = []
        self.constants: dict[Place, int] = {}
        self._taken: set[Place] = set()
        self._hints: list[Field] = []

    def free(self, function: int, first: int, count: int) -> bool:
        """Whether registers first.. are neither used nor beyond the last address."""
        places = ((function, address) for address in range(first, first + count))
        return first + count <= 0x10000 and not any(place in self._taken for place in places)

    def put(self, field: Field) -> None:
        """Add a field. Raises ValueError where it would overlap another one (two halves may meet)."""
        half = len(field.encoding) == 4
        if not half and any(place in self._taken for place in field.places):
            raise ValueError(f"{field.fact}: {field.places[0]} is taken")
        self._taken.update(field.places)
        self.fields.append(field)

    def hint(self, field: Field) -> None:
        """A field that goes with its fact and does not carry it: a raw converter count."""
        self.put(field)
        self._hints.append(field)

    def fill(self, function: int, address: int, word: int) -> None:
        """A register that holds one word for ever."""
        self._taken.add((function, address))
        self.constants[function, address] = word

    @property
    def size(self) -> int:
        """How many registers there are."""
        return len(self._taken)

    def finished(self, sources: Mapping[str, str], largest_request: int) -> RegisterMap:
        """The map; sources say which fact a displayed quantity is."""
        carried = {
            quantity: tuple(field for field in self.fields if field.fact == fact and field not in self._hints)
            for quantity, fact in sources.items()
        }
        kept = {quantity: fields for quantity, fields in carried.items() if fields}
        return RegisterMap(tuple(self.fields), self.constants, kept, largest_request)
