"""What every table of a config is."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """Any table: unknown keys are errors, nothing is coerced, nothing changes later."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)
