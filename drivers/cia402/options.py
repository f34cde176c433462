"""The profile's ``drive:`` mapping for protocol ``cia402``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from drivers.quantities import Duration
from drivers.transport import BusOptions as BusOptions

ObjectType = Literal["INTEGER8", "INTEGER16", "INTEGER32", "UNSIGNED8", "UNSIGNED16", "UNSIGNED32"]
ModeName = Literal["torque", "velocity", "position"]
# Heartbeat times are 16-bit milliseconds (CiA 301, 0x1016 and 0x1017).
HeartbeatTime = Annotated[Duration, Field(ge=0, le=65.0)]


class Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class ObjectReference(Part):
    index: Annotated[int, Field(ge=0x1000, le=0xFFFF)]
    subindex: Annotated[int, Field(ge=0, le=255)] = 0
    type: ObjectType = "INTEGER16"
    scale: float = 1.0  # value = raw · scale


class Cia402Options(Part):
    """Options for connecting to and configuring a CiA 402 drive."""

    protocol: Literal["cia402"] = "cia402"
    bus: BusOptions
    node: Annotated[int, Field(ge=1, le=127)]
    host_node: Annotated[int, Field(ge=1, le=127)] = 127
    host_heartbeat: HeartbeatTime = 0.02  # interval of the host's heartbeat
    host_loss: HeartbeatTime = 0.1  # silence after which the drive removes power on its own
    # How the drive detects a silent host: it consumes the host's heartbeat (0x1016), or the event
    # timer of RPDO 1 (0x1400:05) expires, which not every drive treats as a lost host.
    watch: Literal["heartbeat", "rpdo_timer"] = "heartbeat"
    drive_heartbeat: HeartbeatTime = 0.05
    drive_loss: HeartbeatTime = 0.2  # silence after which the host treats the drive as lost
    sdo_timeout: Annotated[Duration, Field(gt=0)] = 0.5
    sdo_tries: Annotated[int, Field(ge=1, le=10)] = 3
    eds: str | None = None  # the maker's electronic data sheet, checked for the objects used
    # CiA 401 read analogue input, 16 bit, input 1
    deflection_object: ObjectReference = ObjectReference(index=0x6401, subindex=1)
    temperature_object: ObjectReference | None = ObjectReference(
        index=0x2010, type="INTEGER16", scale=0.1
    )
    # Current from the supply in A: no object of CiA 402, so a maker's own. Sent with the slow values.
    supply_current_object: ObjectReference | None = None
    # A second analogue input: shows whether the sensor is wired to the first
    spare_object: ObjectReference | None = None
    # Digital inputs of CiA 402, 0x60FD: for a home switch. Sent with the slow values.
    inputs_object: ObjectReference | None = None
    # Must agree with the drive's 0x608F; needed if the drive lacks that object. A profile's
    # sensors.motor.counts_per_revolution is passed here.
    counts_per_revolution: Annotated[int, Field(ge=4)] | None = None
    velocity_unit: Literal["counts/s", "rpm"] = "counts/s"
    modes: Annotated[tuple[ModeName, ...], Field(min_length=1)] = ("torque",)
    # Torque offset 0x60B2 in RPDO 1, for control.torque_feedforward over velocity or position.
    torque_offset: bool = False
    # 0x605A, options that end with power off; None leaves the drive's own.
    quick_stop: Annotated[int, Field(ge=0, le=4)] | None = 2
    rpdo_transmission: Literal["sync", "event"] = "sync"
    slow_every: Annotated[int, Field(ge=1, le=240)] = 10

    @model_validator(mode="after")
    def _agree(self) -> Cia402Options:
        if self.node == self.host_node:
            raise ValueError("node and host_node must differ on one bus")
        if self.host_loss < 2 * self.host_heartbeat:
            raise ValueError(
                "host_loss must be at least twice host_heartbeat, or one lost frame stops the rig"
            )
        if self.drive_loss < 2 * self.drive_heartbeat:
            raise ValueError("drive_loss must be at least twice drive_heartbeat")
        for name in (
            "deflection_object",
            "temperature_object",
            "supply_current_object",
            "spare_object",
            "inputs_object",
        ):
            reference = getattr(self, name)
            if reference is not None and reference.scale == 0.0:
                raise ValueError(f"{name}.scale must not be 0")
        spare, deflection = self.spare_object, self.deflection_object
        if spare is not None and (spare.index, spare.subindex) == (
            deflection.index,
            deflection.subindex,
        ):
            raise ValueError("spare_object must be another input than deflection_object")
        return self
