"""SunSpec maps read as the Alliance's own library reads them, and published figures of the models.

Register images are random: chains of models with random words, marks of 'not implemented', scale factors and
numbers of groups, at each of the three bases. pysunspec2 and we read the same image; every point must agree.
"""

from __future__ import annotations

import json
import random
from importlib.metadata import version

import pytest
from sunspec2 import device as alliance
from sunspec2 import mb
from sunspec2.modbus.client import SunSpecModbusClientDevice

from monitor.devices.profile import SunSpecProfile
from monitor.devices.profile_file import SHIPPED, load_profile
from monitor.devices.sunspec.chain import ModelAt, Reader, Told, find_chain, read_model, values
from monitor.devices.sunspec.models import BASES, definition, label
from monitor.devices.sunspec.sources import sources
from monitor.devices.sunspec.values import scaled, value_of
from monitor.errors import BadFrame, NotSunSpec, Refused
from tests.reference import sunspec_models

IMAGES = 60
UNKNOWN = (64900, 65001, 120, 307)  # makers' own; standard ones that do not concern us
ROOM = 9000  # registers of a chain at the most


class ImageLink:
    """A RegisterLink over an image: address -> word, 02 for all else, 03 for too many at once."""

    name = "image"

    def __init__(self, image: dict[int, int], largest: int = 125) -> None:
        self.image, self.largest = image, largest

    def open(self) -> None: ...

    def close(self) -> None: ...

    def remarks(self) -> tuple[str, ...]:
        return ()

    def read(self, unit: int, function: int, address: int, count: int) -> tuple[int, ...]:
        if count > self.largest:
            raise Refused("too many", 3)
        try:
            return tuple(self.image[at] for at in range(address, address + count))
        except KeyError:
            raise Refused("no such register", 2) from None


class ImageDevice(SunSpecModbusClientDevice):
    """The Alliance's own client over the same image."""

    def __init__(self, image: dict[int, int]) -> None:
        super().__init__()
        self.image = image

    def read(self, addr: float, count: float) -> bytes:
        words = [self.image.get(int(addr) + at, 0) for at in range(int(count))]
        return b"".join(word.to_bytes(2, "big") for word in words)


def words_of(rng: random.Random, kind: str, size: int) -> list[int]:
    """A random value of a type, in one of four cases its mark for 'not implemented'."""
    if kind == "sunssf":
        return [rng.choice((0x8000, *(exponent & 0xFFFF for exponent in range(-10, 11))))]
    if rng.random() < 0.25:
        data = mb.create_unimpl_value(kind, 2 * size)
    elif kind == "string":
        length = rng.randrange(1, 2 * size + 1)
        data = bytes(rng.randrange(32, 127) for _ in range(length)).ljust(2 * size, b"\0")
    elif kind == "float32":
        data = mb.f32_to_data(rng.uniform(-1e6, 1e6))
    else:
        data = rng.randbytes(2 * size)
    return [int.from_bytes(data[at : at + 2], "big") for at in range(0, 2 * size, 2)]


def group_words(rng: random.Random, group: dict, counts: dict[str, int]) -> list[int]:
    """A group as the Alliance's model file describes it."""
    words: list[int] = []
    for point in group["points"]:
        if point["name"] in counts:
            words.append(counts[point["name"]])
        else:
            words += words_of(rng, point["type"], point["size"])
    for inner in group.get("groups", []):
        count = inner.get("count", 1)
        times = counts.get(count, rng.randrange(5)) if isinstance(count, str) or count == 0 else count
        for _ in range(times):
            words += group_words(rng, inner, {})
    return words


def model_words(rng: random.Random, number: int) -> list[int]:
    """A model with its header and random contents."""
    if number in UNKNOWN:
        body = [rng.randrange(65536) for _ in range(rng.randrange(1, 140))]
        return [number, len(body), *body]
    found = alliance.get_model_def(number)["group"]
    named = {inner["count"] for inner in found.get("groups", []) if isinstance(inner.get("count"), str)}
    words = group_words(rng, found, {name: rng.randrange(5) for name in named})
    return [number, len(words) - 2, *words[2:]]


def image_of(rng: random.Random) -> dict[int, int]:
    base = rng.choice(BASES)
    words = [0x5375, 0x6E53, *model_words(rng, 1)]
    for number in rng.choices((*sunspec_models.KEPT, *UNKNOWN), k=rng.randrange(1, 9)):
        words += model_words(rng, number)
    words += [0xFFFF, 0]
    return {base + at: word for at, word in enumerate(words)}


def as_alliance_says(group: object, prefix: str, instance: tuple[int, ...]) -> dict:
    """{(path, instance): (value, scale factor's name, its value)} of all points below a group."""
    told = {}
    for name, point in group.points.items():
        factor = None
        if point.sf_required:
            factor = group.points.get(point.sf) or group.model.points.get(point.sf)
        told[prefix + name, instance] = (point, factor)
    for name, inner in group.groups.items():
        for number, member in enumerate(inner if isinstance(inner, list) else [inner]):
            told |= as_alliance_says(member, f"{prefix}{name}.", (*instance, number))
    return told


def agrees(ours: Told, point: object, factor: object) -> bool:
    """Whether both say the same. Where a scale factor is not implemented the library gives the bare number;
    we give none, since nobody knows its size."""
    if point.pdef["type"] == "pad":
        return ours.value is None
    if factor is not None and factor.value is None:
        return ours.value is None
    expected = point.cvalue
    if isinstance(expected, float) and isinstance(ours.value, float | int):
        return ours.value == pytest.approx(expected, rel=1e-9, abs=1e-12)
    return ours.value == expected


def test_every_point_of_random_maps_is_read_as_the_alliance_s_library_reads_it(seed: int) -> None:
    rng = random.Random(seed)
    compared = 0
    for _ in range(IMAGES):
        image = image_of(rng)
        theirs = ImageDevice(image)
        theirs.scan()
        reader = Reader(ImageLink(image, rng.choice((125, 64, 24))), 1)
        chain = find_chain(reader)
        assert chain.base == theirs.base_addr
        known = [model for model in chain.models if definition(model.number) is not None]
        listed = [model for model in theirs.model_list if model.model_id in sunspec_models.KEPT]
        assert [(model.number, model.address, model.length) for model in known] == [
            (model.model_id, model.model_addr, model.model_len) for model in listed
        ]
        for model, other in zip(known, listed, strict=True):
            ours = {
                (told.placed.path, told.placed.instance): told
                for told in values(model, read_model(reader, model))
            }
            expected = as_alliance_says(other, "", ())
            assert ours.keys() == expected.keys(), (seed, model)
            for key, (point, factor) in expected.items():
                assert agrees(ours[key], point, factor), (seed, model, key, ours[key].value, point.cvalue)
            compared += len(expected)
    assert compared > 100 * IMAGES


def test_the_shipped_definitions_are_the_alliance_s() -> None:
    shipped = json.loads(sunspec_models.TARGET.read_text(encoding="utf-8"))
    if shipped["pysunspec2"] != version("pysunspec2"):
        pytest.skip(f"made from pysunspec2 {shipped['pysunspec2']}; another one is installed")
    assert shipped == json.loads(sunspec_models.text())


@pytest.mark.parametrize(
    ("number", "length"),
    [
        (1, 66),
        (101, 50),
        (103, 50),
        (111, 60),
        (160, 8),
        (501, 31),
        (502, 28),
        (714, 18),
        (802, 62),
        (803, 26),
    ],
)
def test_models_are_as_long_as_the_alliance_s_files_say(number: int, length: int) -> None:
    """Source: SunSpec Alliance, model files; without repeated groups."""
    found = definition(number)
    assert found is not None
    assert found.size == length + 2


@pytest.mark.parametrize(
    ("number", "path", "offset"),
    [(160, "module.DCA", 19), (160, "module.DCV", 20), (802, "V", 34), (802, "A", 44), (502, "InW", 29)],
)
def test_points_lie_where_the_alliance_s_files_say(number: int, path: str, offset: int) -> None:
    """Source: as above; offsets count from the model's number, those of an input from 10."""
    longest = max((model_words(random.Random(seed), number) for seed in range(20)), key=len)  # with an input
    image = dict(enumerate([0x5375, 0x6E53, *longest, 0xFFFF, 0]))
    reader = Reader(ImageLink(image), 1)
    (found,) = find_chain(reader).models
    assert (
        next(
            told.placed.offset
            for told in values(found, read_model(reader, found))
            if told.placed.path == path
        )
        == offset
    )


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("int16", [0x8000]), ("sunssf", [0x8000]), ("uint16", [0xFFFF]), ("enum16", [0xFFFF]),
        ("count", [0xFFFF]), ("int32", [0x8000, 0]), ("uint32", [0xFFFF, 0xFFFF]), ("acc32", [0, 0]),
        ("bitfield32", [0xFFFF, 0xFFFF]), ("uint64", [0xFFFF] * 4), ("float32", [0x7FC0, 0]),
        ("string", [0, 0x4141]),
    ],
)  # fmt: skip
def test_marks_for_not_implemented_are_no_values(kind: str, words: list[int]) -> None:
    """Source: SunSpec Alliance, model files."""
    assert value_of(words, kind) is None


def test_scale_factors_are_powers_of_ten() -> None:
    """Value = raw x 10^SF, worked by hand; a factor outside -10..10 is none (SunSpec Alliance)."""
    assert scaled(1825, -1) == 182.5
    assert scaled(1264, -2) == 12.64
    assert scaled(3, 2) == 300
    assert scaled(1264, None) is None
    assert scaled(1264, -11) is None


def test_a_model_cut_short_anywhere_gives_what_is_there_and_nothing_else(seed: int) -> None:
    """A device that states a shorter length than the standard's: the points that are whole, and no more."""
    rng = random.Random(seed)
    profile = load_profile(SHIPPED / "sunspec.toml")
    assert isinstance(profile, SunSpecProfile)
    for number in sunspec_models.KEPT:
        whole = model_words(rng, number)
        for length in range(len(whole) - 2):
            words = (number, length, *whole[2 : 2 + length])
            model = ModelAt(number, 40002, length)
            for told in values(model, words):
                assert told.placed.offset + told.placed.point.size <= len(words)
            registers = {model.address + at: word for at, word in enumerate(words)}
            for found in sources(profile, [model], {model: words}).values():
                for source in found:
                    source.judged(registers)  # reads no register behind the model, which the map lacks


def test_a_device_without_the_marker_is_told() -> None:
    with pytest.raises(NotSunSpec, match="40000, 0, 50000"):
        find_chain(Reader(ImageLink({40000: 1, 40001: 2}), 1))


def test_a_chain_without_end_mark_ends_where_the_registers_do() -> None:
    chain = find_chain(
        Reader(ImageLink(dict(enumerate([0x5375, 0x6E53, *model_words(random.Random(2), 1)]))), 1)
    )
    assert [model.number for model in chain.models] == [1]
    assert "breaks off at register 70" in chain.remark


def test_a_chain_that_leads_nowhere_is_an_error() -> None:
    """Filler behind the marker: model 0 of length 0, for ever."""
    image = dict.fromkeys(range(65536), 0) | {40000: 0x5375, 40001: 0x6E53}
    with pytest.raises(BadFrame, match="leads nowhere"):
        find_chain(Reader(ImageLink(image), 1))


def test_models_have_names_a_person_can_read() -> None:
    assert label(160) == "Multiple MPPT Inverter Extension Model"
    assert label(307) == "Base Met"
    assert label(64999) == "a maker's own model"
    assert label(9999) == "unknown"
