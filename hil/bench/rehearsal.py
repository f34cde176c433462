"""Rehearsed faults: a YAML file of faults on a simulated rig, with their times and durations."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, NamedTuple, Protocol

from pydantic import Field, ValidationError, model_validator

from drivers.quantities import Duration, Force, Frequency, Mass
from drivers.simulated import DISTURBANCES, Lateness
from drivers.suggest import nearest
from hil.profile import Part, Problem, ProfileError, dotted, explain, read_source, shown

ONCE_S = 1e9  # longer than any session
Share = Annotated[float, Field(ge=0, le=1)]


class RehearsedRig(Protocol):
    """Rig for a rehearsal, in this process or behind the simulation control."""

    def hang(self, mass_kg: float) -> None: ...
    def push(self, force_N: float, frequency_Hz: float = 0.0, duration_s: float = 0.0) -> None: ...
    def disturb(self, name: str, value: float | bool | None) -> None: ...
    def emergency_stop(self, pressed: bool) -> None: ...


class RehearsedFault(Part):
    """One entry: ``at`` counts from the session's start; without ``for`` it lasts.

    ``axis`` names one of several axes; without it the fault is on each of them.
    """

    at: Annotated[Duration, Field(ge=0)]
    what: str
    axis: str | None = None
    lasts: Annotated[Annotated[Duration, Field(gt=0)] | None, Field(alias="for")] = None


class LateFault(RehearsedFault):
    """Late cycles: a ``share`` of all, late by ``up_to``, a share ``stale`` with an old sample."""

    share: Share = 0.0
    up_to: Annotated[Duration, Field(ge=0, le=2)] = 0.0
    stale: Share = 0.5


class PauseFault(RehearsedFault):
    """The rig host pauses for ``length``, once, or repeatedly at the interval ``every``."""

    length: Annotated[Duration, Field(gt=0, le=2)]
    every: Annotated[Duration, Field(gt=0)] | None = None
    stale: Share = 0.5

    @model_validator(mode="after")
    def _apart(self) -> PauseFault:
        if self.every is not None and self.every <= self.length:
            raise ValueError("every: pauses would overlap; write more than 'length'")
        return self


class LostFault(RehearsedFault):
    """A ``share`` of the samples of motion and deflection never arrives."""

    share: Share


class HangFault(RehearsedFault):
    """A weight laid on at once; 0 kg takes the present weight off."""

    mass: Annotated[Mass, Field(ge=0, le=1000)]


class PushFault(RehearsedFault):
    """A hand at the load point; with a frequency, a sine of that amplitude."""

    force: Force
    frequency: Annotated[Frequency, Field(gt=0, le=20)] | None = None


class StopButtonFault(RehearsedFault):
    """The hard-wired emergency stop is pressed; after ``for`` it is released."""


class DisturbanceFault(RehearsedFault):
    """A disturbance of the simulated rig, by its name there; ``value`` in SI, 1 for a flag."""

    value: float = 1.0


DELAYING = (LateFault, PauseFault)  # faults of the rig host, which all axes share
KINDS: dict[str, type[RehearsedFault]] = {
    "late": LateFault,
    "pause": PauseFault,
    "lost": LostFault,
    "hang": HangFault,
    "push": PushFault,
    "emergency_stop": StopButtonFault,
}


class _File(Part):
    faults: tuple[dict[str, Any], ...]


class Act(NamedTuple):
    """One thing to do at ``at_s``: begin or end ``fault``."""

    at_s: float
    fault: RehearsedFault
    begins: bool


@dataclass(frozen=True)
class Rehearsal:
    """Faults in the order of the file."""

    faults: tuple[RehearsedFault, ...]

    def of_axis(self, axis: str, *, late: bool = True) -> Rehearsal:
        """Return the faults on an axis; without ``late``, those that delay no cycle."""
        return Rehearsal(
            tuple(
                fault
                for fault in self.faults
                if fault.axis in (None, axis) and (late or not isinstance(fault, DELAYING))
            )
        )

    def acts(self) -> Iterator[Act]:
        """Yield beginnings and ends by time."""
        acts = [Act(f.at, f, True) for f in self.faults]
        acts += [Act(f.at + f.lasts, f, False) for f in self.faults if f.lasts is not None]
        yield from sorted(acts, key=lambda act: act.at_s)


def known_faults() -> tuple[str, ...]:
    """Return every name that ``what`` may have."""
    return (*KINDS, *DISTURBANCES)


def load_rehearsal(path: Path | str, axes: Sequence[str] = ()) -> Rehearsal:
    """Return the faults of a file.

    Args:
        axes: axes of the machine; empty for a single rig.

    Raises:
        ProfileError: with every problem found, each with file, line, key and fix.
    """
    source = read_source(Path(path), str(path))
    try:
        entries = _File.model_validate(source.data).faults
    except ValidationError as error:
        raise ProfileError(explain(error, _File, source)) from None
    problems: list[Problem] = []
    faults: list[RehearsedFault] = []
    for i, entry in enumerate(entries):
        what = entry.get("what")
        model = KINDS.get(str(what), DisturbanceFault if what in DISTURBANCES else None)
        if model is None:
            place = source.place(("faults", i, "what") if "what" in entry else ("faults", i))
            reason = f"{shown(what)} is not a fault" if what else "the key 'what' is missing"
            fix = nearest(str(what), known_faults()).removeprefix("; ")
            problems.append(
                Problem(place.file, place.line, place.column, dotted(("faults", i)), reason, fix)
            )
            continue
        try:
            fault = model.model_validate(entry)
        except ValidationError as error:
            problems += explain(error, model, source, ("faults", i))
            continue
        if wrong := _wrong_axis(fault, axes):
            place = source.place(("faults", i, "axis"))
            problems.append(
                Problem(place.file, place.line, place.column, dotted(("faults", i, "axis")), *wrong)
            )
        faults.append(fault)
    if problems:
        raise ProfileError(problems)
    return Rehearsal(tuple(faults))


def _wrong_axis(fault: RehearsedFault, axes: Sequence[str]) -> tuple[str, str] | None:
    """Return what is wrong with the axis of a fault, and the fix; None if nothing is."""
    if fault.axis is None:
        return None
    if not axes:
        return f"{shown(fault.axis)} is not an axis: this rig has one", "leave 'axis' out"
    if fault.axis not in axes:
        return f"{shown(fault.axis)} is not an axis", f"write one of: {', '.join(axes)}"
    if isinstance(fault, DELAYING):
        return f"'{fault.what}' delays the rig host, which all axes share", "leave 'axis' out"
    return None


class Rehearser:
    """Player of a rehearsal's faults as time passes.

    Args:
        rehearsal: the faults.
        rig: rig on which they are injected.
        be_late: takes the lateness in force, None for none; called when it changes.
        tell: takes a line for the operator at each act.
    """

    def __init__(
        self,
        rehearsal: Rehearsal,
        rig: RehearsedRig,
        be_late: Callable[[Lateness | None], None],
        tell: Callable[[str], None] = lambda _text: None,
    ) -> None:
        self._acts = list(rehearsal.acts())
        self._rig = rig
        self._be_late = be_late
        self._tell = tell
        self._late: list[RehearsedFault] = []
        self.next_s = self._acts[0].at_s if self._acts else math.inf

    def advance(self, time_s: float) -> None:
        """Perform the acts due at ``time_s`` since the session's start.

        Raises:
            ValueError: the rig refuses a value.
            DriverError: the simulated rig does not answer.
        """
        while self._acts and self._acts[0].at_s <= time_s:
            act = self._acts.pop(0)
            self._do(act.fault, act.begins)
            self._tell(f"rehearsed fault: {act.fault.what} {'begins' if act.begins else 'ends'}")
        self.next_s = self._acts[0].at_s if self._acts else math.inf

    def _do(self, fault: RehearsedFault, begins: bool) -> None:
        if isinstance(fault, DELAYING):
            if begins:
                self._late.append(fault)
            else:
                self._late.remove(fault)
            self._be_late(_together(self._late))
        elif isinstance(fault, LostFault):
            self._rig.disturb("samples_lost", fault.share if begins else None)
        elif isinstance(fault, HangFault):
            self._rig.hang(fault.mass if begins else 0.0)
        elif isinstance(fault, PushFault):
            self._rig.push(fault.force if begins else 0.0, fault.frequency or 0.0)
        elif isinstance(fault, StopButtonFault):
            self._rig.emergency_stop(begins)
        elif isinstance(fault, DisturbanceFault):
            self._rig.disturb(fault.what, fault.value if begins else None)


def _together(faults: list[RehearsedFault]) -> Lateness | None:
    """Return the combined lateness in force: the latest fault of each kind."""
    if not faults:
        return None
    late = Lateness()
    for fault in faults:
        if isinstance(fault, LateFault):
            late = replace(late, share=fault.share, up_to_s=fault.up_to, stale_share=fault.stale)
        elif isinstance(fault, PauseFault):
            every = ONCE_S if fault.every is None else fault.every
            late = replace(
                late,
                pause_s=fault.length,
                pause_every_s=every,
                pause_first_s=0.0,
                stale_share=fault.stale,
            )
    return late
