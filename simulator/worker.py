"""A thread that serves one line, and does what others ask of that line between two frames."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future

LOOK_EVERY_S = 0.05  # how soon a request from outside, or the end, is noticed


class Worker(threading.Thread):
    """Calls serve_once(timeout) again and again. Only this thread touches the line."""

    def __init__(self, name: str, serve_once: Callable[[float], None]) -> None:
        super().__init__(name=name)
        self._serve_once = serve_once
        self._asked: queue.SimpleQueue[tuple[Callable[[], None], Future[None]]] = queue.SimpleQueue()
        self._end = threading.Event()

    def ask(self, deed: Callable[[], None]) -> None:
        """Have a deed done on the line and wait until it is. Raises what the deed raises."""
        outcome: Future[None] = Future()
        self._asked.put((deed, outcome))
        outcome.result()

    def end(self) -> None:
        """Let the thread finish, and wait for it; ended already is fine."""
        self._end.set()
        if self.is_alive():
            self.join()

    def run(self) -> None:
        while not self._end.is_set():
            while not self._asked.empty():
                deed, outcome = self._asked.get()
                try:
                    outcome.set_result(deed())
                except OSError as error:
                    outcome.set_exception(error)
            self._serve_once(LOOK_EVERY_S)
