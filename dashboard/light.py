"""Dash without what it imports for figures that the page never has: plotly's classes, tables of any kind.

Dash's Graph imports one of plotly's drawing classes to write down a type, which drags in hundreds; plotly's
encoder imports narwhals, which reads tables of every data-frame library. The page's figures are plain
dictionaries. Without the two the page process is 1.3 and 3.3 MB smaller (tests.bench.page_cost). QR codes are
drawn without Python's client for the web, which their library imports and nothing here uses.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from types import ModuleType
from typing import Any

DRAWING_CLASSES = "plotly.graph_objects"
TABLES = ("narwhals", "narwhals.stable", "narwhals.stable.v1")
"""A module that reads tables, after the packages that it lies in."""


WEB = "urllib.request"


@contextmanager
def plain_figures_only() -> Iterator[None]:
    """Import Dash inside this: it finds stand-ins, which are gone afterwards, in the places of both.

    Whoever imports them later gets the real ones, and so does who was handed the one for tables and uses it.
    Where they are loaded already, nothing happens.
    """
    stand_ins: dict[str, ModuleType] = {}
    if DRAWING_CLASSES not in sys.modules:
        stand_ins[DRAWING_CLASSES] = ModuleType(DRAWING_CLASSES)
        stand_ins[DRAWING_CLASSES].__dict__["Figure"] = dict
    if TABLES[0] not in sys.modules:
        stand_ins |= {name: _Later(name) for name in TABLES}
    sys.modules |= stand_ins
    try:
        yield
    finally:
        for name, stand_in in stand_ins.items():
            if sys.modules.get(name) is stand_in:
                del sys.modules[name]


def codes() -> Any:
    """segno, imported when the first code is drawn: most of a page's life draws none.

    Its writer takes two functions that escape text from xml.sax, which imports the client for the web, and
    OpenSSL with it; a stand-in is in that one's place meanwhile.
    """
    if WEB in sys.modules:
        return import_module("segno")
    stand_in = sys.modules[WEB] = ModuleType(WEB)
    try:
        return import_module("segno")
    finally:
        if sys.modules.get(WEB) is stand_in:
            del sys.modules[WEB]


class _Later(ModuleType):
    """A module that is imported when something of it is used for the first time."""

    def __getattr__(self, name: str) -> Any:
        inner = sys.modules.get(f"{self.__name__}.{name}")
        if isinstance(inner, _Later):
            return inner
        for each in TABLES:
            if isinstance(sys.modules.get(each), _Later):
                del sys.modules[each]
        return getattr(import_module(self.__name__), name)
