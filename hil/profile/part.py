"""Base of the parts of a profile."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Fraction = Annotated[float, Field(gt=0, le=1)]


class Part(BaseModel):
    """Base of all profile parts: unknown keys are errors, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
