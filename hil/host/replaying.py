"""The bench on recorded wires: no device, no clock, the same samples."""

from __future__ import annotations

import contextlib
import datetime
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from pydantic import ValidationError

from drivers.base import Drive, DriverError, PowerRequest, Telemetry
from drivers.capture import Cycle, WireRecording, wires
from hil.bench import EPOCH, Bench, CycleTiming
from hil.core import REQUEST, Cause, Sample, SessionCap, State, Stop
from hil.profile import Profile, make_drive, profile_to_dict

if TYPE_CHECKING:
    pass

ROWS_AT_ONCE = 1000
# No wait: everything received in a cycle is available when it begins.
AT_ONCE_S = 0.0


def replay(profile: Profile, recording: Path, runs: Path, name: str, about: str) -> Path:
    """Run the bench through a recording, with its requests; return the run's folder.

    The drive reads the time of the recording. If it has none, or the drive reads another clock, the
    ages of samples count in the recording's cycles. A recorded stop from outside the bench (its
    host was held up, the holder of control was lost) is repeated.

    Raises:
        DriverError: no recording, or one of another drive or profile.
        RunError: the run cannot be written.
    """
    from hil.recorder import RunWriter  # its file format loads slowly, and no rig host needs it

    with (
        played(profile, recording) as (recorded, drive, timed),
        RunWriter(
            runs,
            name,
            {
                "profile": profile_to_dict(profile),
                "profile_path": profile.name,
                "rate_hz": profile.control.rate,
                "simulated": True,
                "drive": drive.capabilities.identity,
            },
            note=about,
            started=EPOCH.isoformat(timespec="milliseconds"),
        ) as writer,
    ):
        Replayed(profile, drive, writer, timed).run(recorded)
        return writer.close("the recording is at its end")


@contextlib.contextmanager
def played(profile: Profile, recording: Path) -> Iterator[tuple[WireRecording, Drive, bool]]:
    """Open the drive on a recording; yield both, and whether the drive reads the recorded time.

    Raises:
        DriverError: no recording, or one of another drive or profile.
    """
    recorded = WireRecording(recording)
    wires.replay(recorded)
    drive = make_drive(profile)
    timed = recorded.timed and getattr(drive, "timed_by_wires", False)
    wires.replay(recorded, timed)
    try:
        drive.open()
        yield recorded, drive, timed
    finally:
        wires.replay(None)
        drive.close()


def _nothing() -> None:
    """Do nothing before a stop: there is a single rig."""


class RowSink(Protocol):
    """Receiver of samples and events, such as a ``RunWriter``."""

    def rows(self, rows: Any, /) -> None: ...
    def event(self, event: dict[str, Any], /) -> None: ...


class Replayed:
    """The cycle over a recording; everything it sends is discarded.

    ``timed``: the drive reads the recording's time, and so knows the age of its samples.
    """

    def __init__(
        self, profile: Profile, drive: Drive, writer: RowSink, timed: bool = False
    ) -> None:
        self.period_s = 1.0 / profile.control.rate
        self.bench = Bench(profile, drive.capabilities, self.period_s)
        self._drive = drive
        self._writer = writer
        self._timed = timed
        self._ages = [1e9, 1e9]
        self._seen_s = drive.telemetry.time_s
        self.before_stop: Callable[[], None] = _nothing  # with several axes

    def run(self, recording: WireRecording) -> None:
        """Run through all cycles of the recording."""
        periods = 0
        rows: list[Sample] = []
        while (first := recording.begin_cycle()) is not None:
            self.begin_with(first)
            last, row = self.cycle(recording, first, periods * self.period_s)
            if row is not None:
                rows.append(row)
            periods += max(1, first.periods)
            for note in last.notes:
                if not note.get("early"):
                    self.take(note)
            self.hand_on()
            if len(rows) >= ROWS_AT_ONCE:
                self._writer.rows(rows)
                rows.clear()
        if rows:
            self._writer.rows(rows)

    def begin_with(self, cycle: Cycle) -> None:
        """Take the state that the host knew before its first cycle."""
        for note in cycle.notes:
            if "session_cap" in note:
                self.bench.ask(SessionCap.model_validate(note["session_cap"]))
            if "kept_offset_m" in note:
                self.bench.kept_offset_m = float(note["kept_offset_m"])
            if "heat" in note:
                self.begin_warm([float(share) for share in note["heat"]])

    def cycle(
        self, recording: WireRecording, cycle: Cycle, time_s: float
    ) -> tuple[Cycle, Sample | None]:
        """Run one cycle; return the last recorded cycle read, and the row unless it failed."""
        bench, drive = self.bench, self._drive
        dt = self.period_s * max(1, cycle.periods)
        row = None
        try:
            telemetry = self._read(dt)
            while recording.goes_on and (again := recording.begin_cycle()) is not None:
                cycle = again
                telemetry = self._read(0.0)
            answer = max((n.get("answer_s", 0.0) for n in cycle.notes), default=0.0)
            for note in cycle.notes:
                if note.get("early"):
                    self.take(note)
            row = self.advance(telemetry, dt, CycleTiming(time_s=time_s, answer_s=answer))
            drive.write(bench.command)
        except Exception as error:
            drive.de_energise()
            cause = Cause.DRIVE_LOST if isinstance(error, DriverError) else Cause.EXCEPTION
            bench.stop(cause, f"{type(error).__name__}: {error}")
            bench.command.power, bench.command.torque_N_m = PowerRequest.OFF, 0.0
        return cycle, row

    def begin_warm(self, shares: list[float]) -> None:
        """Begin with the heat of winding and housing that the host knew."""
        self.bench.supervisor.heat.begin(*shares)

    def advance(self, telemetry: Telemetry, dt_s: float, timing: CycleTiming) -> Sample:
        """Run one cycle of the bench; return its sample."""
        return self.bench.advance(telemetry, dt_s, timing)

    def _read(self, dt: float) -> Telemetry:
        before = time.monotonic()
        telemetry = self._drive.read(before + AT_ONCE_S)
        if self._timed:
            return telemetry
        after = time.monotonic()
        fresh = telemetry.time_s > self._seen_s, after - telemetry.deflection_age_s >= before
        self._seen_s = max(self._seen_s, telemetry.time_s)
        self._ages = [0.0 if new else age + dt for new, age in zip(fresh, self._ages, strict=True)]
        telemetry.age_s, telemetry.deflection_age_s = self._ages
        # The drive judges silence by the clock, which is meaningless here. A real loss stopped the
        # bench then, and stops it again by its note.
        telemetry.lost = ""
        return telemetry

    def take(self, note: dict[str, Any]) -> None:
        """Do again what a note records: a request, or a stop from outside the bench."""
        bench = self.bench
        if "request" in note:
            with contextlib.suppress(ValidationError):
                request = REQUEST.validate_python(note["request"])
                if isinstance(request, Stop):
                    self.before_stop()
                bench.ask(request)
        elif "reduced" in note:
            bench.reduce(bool(note["reduced"]))
        elif "reference" in note:
            bench.state_reference(str(note["reference"]), 0.0)
        elif "stopped" in note and bench.state is not State.STOPPED:
            # Its cause was elapsed time, which is not replayed.
            bench.stop(Cause(note["stopped"]), str(note["detail"]))

    def hand_on(self) -> None:
        """Write the events of this cycle."""
        for event in self.bench.events:
            if event["kind"] == "stop" and event["to_wire_ms"] is None:
                event["to_wire_ms"] = 1e3 * self.period_s
            moment = EPOCH + datetime.timedelta(seconds=event["time_s"])
            event["wall"] = moment.isoformat(timespec="milliseconds")
            self._writer.event(event)
        self.bench.events.clear()
