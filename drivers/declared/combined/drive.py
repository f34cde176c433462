"""Several devices, each on its own wire and with its own clock, as one drive."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Mapping

from drivers.base import (
    Capabilities,
    Command,
    Drive,
    DriverError,
    PowerRequest,
    PowerStage,
    QuantityAges,
    ResumesCyclic,
    Telemetry,
)
from drivers.capture import wires
from drivers.declared.combined.options import CombinedOptions, interval_s

MOST_SHIFT_S = 0.005  # samples further apart are not aligned, but are old
SHIFT_SHARE = 0.02  # weight of a new time difference; the rest is from earlier ones
WINDOW = 500  # cycles over which the shortest answer is taken
NEVER_S = 1e9
HELD_UP_S = 0.005  # without a message from a member that streams, often

# Longest time between two samples of a member used only for its status.
UNUSED_INTERVAL_S = 0.01

MOVING = ("position", "velocity", "torque")


class AnswerTime:
    """Shortest time from request to answer over the last one to two windows."""

    def __init__(self) -> None:
        self._now = self._before = NEVER_S
        self._left = WINDOW

    def add(self, seconds: float) -> None:
        """Add one answer; a sample received before the request is ignored."""
        if seconds <= 0.0:
            return
        self._now = min(self._now, seconds)
        self._left -= 1
        if not self._left:
            self._before, self._now, self._left = self._now, NEVER_S, WINDOW

    @property
    def half_s(self) -> float:
        """Half of it: the transit time of the answer, if both directions take equally long."""
        shortest = min(self._now, self._before)
        return 0.5 * shortest if shortest < NEVER_S else 0.0


class _Device:
    """A member and the timing of its samples."""

    def __init__(
        self, name: str, drive: Drive, asked: bool, latency_s: float | None, interval_s: float = 0.0
    ) -> None:
        self.name = name
        self.drive = drive
        self.asked = asked
        self.telemetry = drive.telemetry
        self._latency_s = latency_s
        self._held_up_s = max(HELD_UP_S, 2.0 * interval_s)
        self._answers = AnswerTime()
        self._last_s = 0.0

    def read(self, deadline_s: float) -> None:
        before = wires.now()
        # Do not wait for a streaming member: its last message has already arrived. But a delay of
        # this computer may also have delayed later messages.
        held_up = before - self.telemetry.time_s > self._held_up_s
        telemetry = self.drive.read(deadline_s if self.asked or held_up else before)
        self.telemetry = telemetry
        if self.asked and telemetry.time_s != self._last_s:
            self._last_s = telemetry.time_s
            self._answers.add(telemetry.time_s - before)

    @property
    def latency_s(self) -> float:
        if self._latency_s is not None:
            return self._latency_s
        return self._answers.half_s if self.asked else 0.0


class CombinedDrive:
    """See ``drivers.base.Drive``.

    Motor and sensor measure at different times. The motor position is shifted to the time of the
    deflection with the velocity reported by the motor: a smooth, fine value that adds no noise,
    unlike the deflection's own rate of change. Times of measurement are those of reception less the
    latency of each member (half of the shortest time from request to answer, over the last 500 to
    1000 cycles), or a member's own clock. The mean difference of about 50 cycles is compensated:
    single differences jump as the two clocks drift and processes are delayed, and the jumps would
    look like velocity.
    """

    capabilities: Capabilities

    def __init__(
        self, drives: Mapping[str, Drive], options: CombinedOptions, period_s: float = 0.001
    ) -> None:
        self.telemetry = Telemetry()
        self._options = options
        commanded = options.commanded
        devices = {
            name: _Device(
                name,
                drive,
                name == commanded or bool(getattr(options.members[name], "poll", None)),
                options.latency.get(name),
                interval_s(options.members[name]),
            )
            for name, drive in drives.items()
        }
        self._main = devices[commanded]
        self._others = [device for name, device in devices.items() if name != commanded]
        self._devices = [self._main, *self._others]
        source = {
            q: devices.get(options.source(q) or "", self._main)
            for q in (*MOVING, "deflection", "supply", "supply_current", "temperature", "inputs")
        }
        self._source = source
        self._moving = list({id(d): d for d in (source[q] for q in MOVING)}.values())
        # Described members watch the ages of their quantities; for members of other protocols the
        # age of the sample with the status is watched here, unless it also carries motion or
        # deflection.
        used = {id(source[q]) for q in (*MOVING, "deflection")}
        self._unused = {
            f"status of {device.name}": device
            for device in self._devices
            if id(device) not in used
            and getattr(options.members[device.name], "gives", None) is None
        }
        self._ages = QuantityAges(dict.fromkeys(self._unused, UNUSED_INTERVAL_S), period_s)
        self._resting = Command()
        self.timed_by_wires = all(getattr(d, "timed_by_wires", False) for d in drives.values())
        self._shift_s = 0.0
        self._opened = False

    @property
    def shift_s(self) -> float:
        """Time shift of the motor's position, s."""
        return self._shift_s

    def open(self) -> None:
        """Open all members, sensors first.

        Raises:
            DriverError: naming the member; open ones are closed again.
        """
        if self._opened:
            raise DriverError("the drive is open already")
        self._opened = True
        self.telemetry.forget()
        self._ages.forget()
        self._shift_s = 0.0
        try:
            for device in (*self._others, self._main):
                try:
                    device.drive.open()
                except DriverError as error:
                    raise DriverError(f"{device.name}: {error}") from error
        except BaseException:
            self.close()
            raise
        main = self._main.drive.capabilities
        details = dict(main.details)
        for device in self._others:
            details |= {
                f"{device.name}: {key}": text
                for key, text in device.drive.capabilities.details.items()
            }
        names = [device.drive.capabilities.identity or device.name for device in self._devices]
        self.capabilities = dataclasses.replace(main, identity=" + ".join(names), details=details)

    def read(self, deadline_s: float) -> Telemetry:
        """See ``drivers.base.Drive``."""
        for device in self._devices:
            try:
                device.read(deadline_s)
            except DriverError as error:
                device.telemetry.lost = device.telemetry.lost or str(error)
        self._fill(wires.now())
        return self.telemetry

    def write(self, command: Command) -> None:
        """Send the command to its member; power is never requested from the others.

        Raises:
            DriverError: not open, or a target that is not a finite number.
        """
        if self.telemetry.lost:
            # No power unless all members are present.
            command = dataclasses.replace(self._resting, heartbeat=command.heartbeat)
        self._main.drive.write(command)
        resting = self._resting
        clearing = command.power is PowerRequest.CLEAR_FAULT
        resting.power = PowerRequest.CLEAR_FAULT if clearing else PowerRequest.OFF
        resting.heartbeat = command.heartbeat
        for device in self._others:
            device.drive.write(resting)
        resting.power = PowerRequest.OFF

    def de_energise(self) -> None:
        """Remove power from all members now. Never raises."""
        for device in self._devices:
            with contextlib.suppress(Exception):
                device.drive.de_energise()

    def resume_cyclic(self) -> None:
        """See ``drivers.base.ResumesCyclic``; for members that need it.

        Raises:
            DriverError: a member is not open.
        """
        for device in self._devices:
            if isinstance(device.drive, ResumesCyclic):
                device.drive.resume_cyclic()

    def close(self) -> None:
        """De-energise and close all members, the commanded one first. Never raises."""
        self._opened = False
        for device in self._devices:
            with contextlib.suppress(Exception):
                device.drive.close()

    def _fill(self, now: float) -> None:
        telemetry, source = self.telemetry, self._source
        main = self._main.telemetry
        position = source["position"]
        moved = position.telemetry
        deflected = source["deflection"].telemetry
        telemetry.time_s = telemetry.deflection_time_s = moved.time_s
        telemetry.received_s = moved.received_s
        telemetry.time_error_s = moved.time_error_s
        telemetry.age_s = max([device.telemetry.age_s for device in self._moving])
        telemetry.deflection_age_s = deflected.deflection_age_s
        telemetry.velocity_rad_s = speed = source["velocity"].telemetry.velocity_rad_s
        telemetry.position_rad = moved.position_rad
        telemetry.torque_N_m = source["torque"].telemetry.torque_N_m
        telemetry.deflection_counts = deflected.deflection_counts
        telemetry.spare_counts = deflected.spare_counts
        telemetry.supply_V = source["supply"].telemetry.supply_V
        telemetry.supply_A = source["supply_current"].telemetry.supply_A
        telemetry.temperature_degC = source["temperature"].telemetry.temperature_degC
        telemetry.digital_inputs = source["inputs"].telemetry.digital_inputs
        if (
            self._options.align and source["deflection"] is not position and speed == speed
        ):  # a drive without a velocity has NaN
            felt_s = now - deflected.deflection_age_s - source["deflection"].latency_s
            apart_s = felt_s - (moved.time_s - position.latency_s)
            if -MOST_SHIFT_S <= apart_s <= MOST_SHIFT_S:
                self._shift_s += SHIFT_SHARE * (apart_s - self._shift_s)
            telemetry.position_rad += speed * self._shift_s
        telemetry.mode = main.mode
        telemetry.power = main.power
        telemetry.status_word = main.status_word
        telemetry.fault_code, telemetry.fault_text = main.fault_code, main.fault_text
        for name, unused in self._unused.items():
            self._ages.came(name, unused.telemetry.time_s)
        self._ages.judge(telemetry, now)
        frames = 0
        lost = ""
        for device in self._devices:
            own = device.telemetry
            frames += own.frames
            if own.silent_name and not telemetry.silent_name:
                telemetry.silent_name = f"{own.silent_name} of {device.name}"
                telemetry.silent_age_s = own.silent_age_s
                telemetry.silent_limit_s = own.silent_limit_s
            if own.lost and not lost:
                lost = f"{device.name}: {own.lost}"
            if device is self._main:
                continue
            if own.power is PowerStage.FAULT:
                telemetry.power = PowerStage.FAULT
            if own.fault_code and not telemetry.fault_code:
                telemetry.fault_code = own.fault_code
                telemetry.fault_text = f"{device.name}: {own.fault_text}"
        telemetry.frames = frames
        telemetry.lost = lost
