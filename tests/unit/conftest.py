"""What every test of a unit leaves as it was."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dashboard import local


@pytest.fixture(autouse=True)
def plain_afterwards() -> Iterator[None]:
    """The next test's page writes in the plain form again, whatever phone has asked in this one."""
    yield
    local.use(local.PLAIN)
