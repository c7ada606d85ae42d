"""What all tables of a site file have in common, and how a fault in one value is told in our own words."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict
from pydantic_core import PydanticCustomError


class Table(BaseModel):
    """Common to all tables: frozen, types as written (no text for numbers), no unknown key, no nan or inf."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def told(text: str) -> PydanticCustomError:
    """The error with which a validator refuses a value: its text reaches the person as it stands."""
    return PydanticCustomError("told", "{text}", {"text": text})
