"""Dash without plotly's drawing classes.

Dash's Graph imports one of them to write down a type; it drags in hundreds of classes that the page, whose
figures are plain dictionaries, never calls. Without them the page process is 1.3 MB smaller
(tests.bench.page_cost).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType

DRAWING_CLASSES = "plotly.graph_objects"


@contextmanager
def without_drawing_classes() -> Iterator[None]:
    """Import Dash inside this: it finds a stand-in, which is gone afterwards, in the place of the classes.

    Whoever imports them later gets the real ones; where they are loaded already, nothing happens.
    """
    if DRAWING_CLASSES in sys.modules:
        yield
        return
    stand_in = ModuleType(DRAWING_CLASSES)
    stand_in.__dict__["Figure"] = dict
    sys.modules[DRAWING_CLASSES] = stand_in
    try:
        yield
    finally:
        del sys.modules[DRAWING_CLASSES]
