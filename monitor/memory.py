"""Telling the C library to give memory back: a small computer has little, and both processes run for months.

By default glibc gives each thread a heap of its own and moves large blocks into it once one was freed, so
that what one large sum or answer took stays with the process. mallopt(3); elsewhere there is no such call
and nothing happens. Imports nothing of the project.
"""

from __future__ import annotations

import ctypes
import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dis import hasconst
from importlib import import_module
from types import FunctionType

M_ARENA_MAX, M_MMAP_THRESHOLD = -8, -3
"""Parameters' numbers in glibc's malloc.h."""

LARGE_BLOCK_BYTES = 128 * 1024
"""glibc's own first limit for a block that is given back at once; setting it keeps it from growing."""

OPENSSL = ("_hashlib", "ssl")
"""The standard library's modules that load it."""

SPEAK_TLS = ("http.client", "urllib.request")
"""Those that leave a part of themselves out where there is no TLS."""

TAKE_CONSTANT = tuple(step for step in hasconst if step < 256)
"""The steps of Python's byte code that take a constant by its number, which is the byte behind them."""

BUILT_FROM_PARENTS = "email."
"""The standard library's mail package writes docstrings out of its parents' ones when it is imported."""


def keep_small() -> None:
    """Give large blocks back as soon as they are free, and let all threads share one heap.

    Measured: the page process takes 59 MB instead of 79 after a dozen phones, the daemon 3 MB less after an
    outlook (tests.bench.page_cost, tests.bench.daemon).
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(M_ARENA_MAX, 1)
        mallopt(M_MMAP_THRESHOLD, LARGE_BLOCK_BYTES)


def give_back() -> None:
    """Give the system back what is free in the midst of the heap, too (malloc_trim(3)): what is freed below
    one block that stays would stay with the process. Takes milliseconds; for after much work."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)


def leave_openssl_out() -> None:
    """Import what would load OpenSSL by the way as where Python was built without it; call this first of all.

    For a process that has no use for it: hashes are Python's own then (scrypt is missing), and asyncio, which
    pymodbus imports, knows no TLS. Whoever imports ssl itself gets it as ever. The daemon is 5 MB smaller by
    this (tests.bench.daemon), nearly all of it pages of the library that the page process may share.
    """
    if "hashlib" not in sys.modules:
        with openssl_left_out():
            for name in ("hashlib", "hmac", "asyncio"):
                import_module(name)


@contextmanager
def openssl_left_out() -> Iterator[None]:
    """Import inside this what would load OpenSSL by the way, before there are other threads.

    Python's own modules for the web then lack what needs TLS; whoever asks for those later gets them whole.
    The page process, which has a use for OpenSSL only once a PIN is typed, is 5 MB smaller by this
    (tests.bench.page_cost).
    """
    out = [name for name in OPENSSL if name not in sys.modules]
    whole = [name for name in SPEAK_TLS if name in sys.modules]
    for name in out:
        sys.modules[name] = None  # type: ignore[assignment]  # the import system's own 'not found'
    try:
        yield
    finally:
        for name in out:
            del sys.modules[name]
        for name in SPEAK_TLS:
            if "ssl" in out and name not in whole:
                sys.modules.pop(name, None)


def forget_documentation() -> None:
    """Drop the docstrings of everything imported so far: only a person at a prompt reads them.

    Those of the page's libraries are 3 MB of text, half of it held by functions' code. What is set free is
    used again by what comes after (tests.bench.page_cost).
    """
    for each in gc.get_objects():
        if not isinstance(each, FunctionType | type) or str(each.__module__).startswith(BUILT_FROM_PARENTS):
            continue
        with suppress(AttributeError, TypeError):  # those of the interpreter itself are fixed
            if isinstance(each, FunctionType):
                _forget_first_constant(each)
            each.__doc__ = None


def _forget_first_constant(function: FunctionType) -> None:
    """Let a function's code not hold its docstring either: its first constant, unless a step takes that."""
    code = function.__code__
    if not code.co_consts or code.co_consts[0] is not function.__doc__ or function.__doc__ is None:
        return
    if not any(bytes((step, 0)) in code.co_code for step in TAKE_CONSTANT):
        function.__code__ = code.replace(co_consts=(None, *code.co_consts[1:]))
