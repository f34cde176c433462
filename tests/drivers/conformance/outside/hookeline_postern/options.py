"""The profile's ``drive:`` mapping for protocol ``postern``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from drivers.quantities import Duration
from drivers.transport.serial_port import PortOptions


class PosternOptions(BaseModel):
    """Options needed to reach the board; it reports the rest itself."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    protocol: Literal["postern"] = "postern"
    port: PortOptions
    key: Annotated[int, Field(ge=0, le=0xFFFF_FFFF)]  # as printed on the board
    host_heartbeat: Annotated[Duration, Field(gt=0, le=1)] = 0.02
    host_loss: Annotated[Duration, Field(ge=0.01, le=60)] = 0.1
    silence: Annotated[Duration, Field(gt=0, le=10)] = 0.05
