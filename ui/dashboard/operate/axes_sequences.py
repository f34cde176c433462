"""Sequences for all axes of a window: read for every axis, begun, paused and aborted together. No Qt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from hil.profile import Profile
from hil.sequences import (
    AxesSequence,
    Meeting,
    MeetingPart,
    Preview,
    axes_named,
    axes_words,
    load_axes_sequence,
    preview,
)


@dataclass(frozen=True)
class AxesPlan:
    """A checked sequence for several axes.

    Attributes:
        plans: setpoints of each axis, by axis.
        words: description of every step with the axis that it is for.
    """

    sequence: AxesSequence
    plans: Mapping[str, Preview]
    words: tuple[str, ...]

    @property
    def problem(self) -> str:
        """Demands that the axes cannot meet, as text; '' for none."""
        return "\n".join(
            f"{axis}: {one}" for axis, plan in self.plans.items() for one in plan.refused
        )


class AxesPlans:
    """Reader of sequences for the axes of a window.

    Args:
        profiles: profile of each axis, by axis, in the order of the axes file.
    """

    def __init__(self, profiles: Mapping[str, Profile]) -> None:
        self.profiles = dict(profiles)

    def read(self, path: Path | str, text: str | None = None) -> AxesPlan | None:
        """Return the sequence and its setpoints; None if it is for one rig.

        Args:
            path, text: as of :func:`hil.sequences.load_axes_sequence`.

        Raises:
            hil.profile.ProfileError: with every problem found.
        """
        if axes_named(path, text) is None:
            return None
        profiles = self.profiles
        motion = next(iter(profiles.values())).motion
        sequence = load_axes_sequence(path, tuple(profiles), motion, text=text)
        plans = {
            axis: preview(sequence.sequences[axis], profile, sequence.lengths)
            for axis, profile in profiles.items()
        }
        return AxesPlan(sequence, plans, axes_words(sequence))


class AxisPart(Protocol):
    """Sequences of one axis."""

    in_joint: bool

    @property
    def own_running(self) -> bool:
        """True while the thread of this axis runs."""

    @property
    def why_not_alone(self) -> str:
        """Reason why this axis cannot begin now, '' if it can."""

    def take_plan(self, file: Path | str, plan: AxesPlan) -> None:
        """Take in that a sequence for all axes was picked on another axis."""

    def drop_plan(self) -> None:
        """Take in that another axis has picked a sequence of its own."""

    def begin_part(self, file: Path | str, plan: AxesPlan, times: int, part: MeetingPart) -> None:
        """Begin the part of this axis."""


class AxesSequences:
    """The sequences of every axis of a window.

    Args:
        plans: reader for these axes.
        parts: the sequences of each axis, by axis.
    """

    def __init__(self, plans: AxesPlans, parts: Mapping[str, AxisPart]) -> None:
        self.plans = plans
        self.parts = dict(parts)

    @property
    def active(self) -> bool:
        """True while a sequence for all axes runs on any of them."""
        return any(part.in_joint and part.own_running for part in self.parts.values())

    @property
    def why_not_begin(self) -> str:
        """Reason why not every axis can begin now, with the axis; '' if all can."""
        for axis, part in self.parts.items():
            if why := part.why_not_alone:
                return f"axis '{axis}': {why}"
        return ""

    def picked(self, by: AxisPart, file: Path | str, plan: AxesPlan) -> None:
        """Pick a sequence for all axes on the other axes as well."""
        for part in self.parts.values():
            if part is not by and not part.own_running:
                part.take_plan(file, plan)

    def dropped(self, by: AxisPart) -> None:
        """Drop it on the other axes."""
        for part in self.parts.values():
            if part is not by:
                part.drop_plan()

    def begin(self, file: Path | str, plan: AxesPlan, times: int) -> None:
        """Begin on every axis; they wait for each other at every step boundary."""
        meeting = Meeting(self.parts)
        for axis, part in self.parts.items():
            part.begin_part(file, plan, times, meeting.part_of(axis))
