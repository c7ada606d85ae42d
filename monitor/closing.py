"""What is closed at the end of a `with`."""

from __future__ import annotations

from types import TracebackType
from typing import Self


class Closing:
    """Something with a `close` that a `with` calls."""

    def close(self) -> None:
        """Release what is held."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
