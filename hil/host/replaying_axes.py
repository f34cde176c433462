"""The benches of several axes on recorded wires: no device, no clock, the same samples."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path

from drivers.base import Drive
from drivers.capture import WireRecording, wires
from drivers.transport import sharing_buses
from hil.bench import EPOCH, TiedBenches
from hil.core import Sample
from hil.host.axes_loop import drives_led
from hil.host.replaying import ROWS_AT_ONCE, Replayed, RowSink
from hil.profile import Axes, make_drive, profile_to_dict


def replay_axes(axes: Axes, recording: Path, runs: Path, name: str, about: str) -> dict[str, Path]:
    """Run the benches of all axes through a recording, with its requests; return the runs by axis.

    The cycles, stops and notes of the axes follow each other as the rig host ran them.

    Raises:
        DriverError: no recording, or one of other drives or profiles.
        RunError: a run cannot be written.
    """
    from hil.recorder import RunWriter, run_name  # its file format loads slowly

    with contextlib.ExitStack() as stack:
        recorded, drives, timed = stack.enter_context(_played(axes, recording))
        writers = {}
        parts = {}
        for axis, profile in axes.profiles.items():
            described = {
                "profile": profile_to_dict(profile),
                "profile_path": axes.paths[axis].name,
                "rate_hz": profile.control.rate,
                "simulated": True,
                "drive": drives[axis].capabilities.identity,
                "axis": axis,
            }
            started = EPOCH.isoformat(timespec="milliseconds")
            writer = RunWriter(runs, run_name(name, axis), described, note=about, started=started)
            writers[axis] = stack.enter_context(writer)
            parts[axis] = Replayed(profile, drives[axis], writer, timed)
        ReplayedAxes(parts, writers).run(recorded)
        return {
            axis: writer.close("the recording is at its end") for axis, writer in writers.items()
        }


@contextlib.contextmanager
def _played(axes: Axes, recording: Path) -> Iterator[tuple[WireRecording, dict[str, Drive], bool]]:
    """Open the drives on a recording; yield it, them, and whether they read the recorded time.

    Raises:
        DriverError: as :func:`replay_axes`.
    """
    recorded = WireRecording(recording)
    with sharing_buses():
        try:
            wires.replay(recorded)
            drives = {axis: make_drive(profile) for axis, profile in axes.profiles.items()}
            clocks = (getattr(drive, "timed_by_wires", False) for drive in drives.values())
            timed = recorded.timed and all(clocks)
            wires.replay(recorded, timed)
            for drive in drives.values():
                drive.open()
            for leader, followers in drives_led(drives, axes.buses()):
                leader.lead(followers)
            yield recorded, drives, timed
        finally:
            wires.replay(None)
            for drive in drives.values():
                drive.close()


class ReplayedAxes:
    """The cycles of all axes over a recording, one of each in turn.

    Args:
        parts: replay of each axis, by axis, in the order of the axes.
        sinks: receiver of its samples.
    """

    def __init__(self, parts: Mapping[str, Replayed], sinks: Mapping[str, RowSink]) -> None:
        self.parts = dict(parts)
        self._sinks = dict(sinks)
        self._tied = TiedBenches({axis: part.bench for axis, part in parts.items()})
        self._rows: dict[str, list[Sample]] = {axis: [] for axis in parts}
        for axis, part in parts.items():
            part.before_stop = lambda axis=axis: self._tied.cut_short(axis)  # type: ignore[misc]

    def run(self, recording: WireRecording) -> None:
        """Run through all cycles of the recording."""
        periods = 0
        while (passed := self._turn(recording, periods)) is not None:
            periods += passed
            for axis, rows in self._rows.items():
                if len(rows) >= ROWS_AT_ONCE:
                    self._sinks[axis].rows(rows)
                    rows.clear()
        for axis, rows in self._rows.items():
            if rows:
                self._sinks[axis].rows(rows)

    def _turn(self, recording: WireRecording, periods: int) -> int | None:
        """Run a cycle of every axis; return the periods that passed, None at the end."""
        self._tied.before()
        notes = []
        passed = 0
        for axis, part in self.parts.items():
            cycle = recording.begin_cycle()
            if cycle is None:
                return None
            passed = max(1, cycle.periods)
            part.begin_with(cycle)
            last, row = part.cycle(recording, cycle, periods * part.period_s)
            if row is not None:
                self._rows[axis].append(row)
            notes += [note for note in last.notes if not note.get("early")]
        self._tied.after()
        for note in notes:
            of_axis = self.parts.get(str(note.get("axis")))
            if of_axis is not None:
                of_axis.take(note)
        for part in self.parts.values():
            part.hand_on()
        return passed
