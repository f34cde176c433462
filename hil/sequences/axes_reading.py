"""Reading of a sequence file for several axes, and splitting into a sequence for each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from drivers.motion import Motion, speaking
from drivers.suggest import did_you_mean
from hil.profile import Problem, ProfileError, explain, read_source, shown
from hil.sequences.axes_sequence import AxesSequence, check_followed, rounds_of
from hil.sequences.axes_steps import (
    AXES_STEP_MODELS,
    COUPLED,
    CoupledForceStep,
    CoupledSpringStep,
    TogetherStep,
)
from hil.sequences.parameters import settle_values
from hil.sequences.reading import Placed, Reader, find_sequence
from hil.sequences.sequence import Sequence as AxisSequence
from hil.sequences.sequence import Written
from hil.sequences.sequence_steps import EnergiseStep
from hil.sequences.step_order import check_order


def axes_named(path: str | Path, text: str | None = None) -> str | None:
    """Return the axes file that a sequence names; None if the sequence is for one rig.

    Args:
        text: as of :func:`hil.sequences.load_sequence`.

    Raises:
        ProfileError: the sequence cannot be read.
    """
    file, name = find_sequence(path) if text is None else (Path(path), str(path))
    named = read_source(file, name, text).data.get("axes")
    return named if isinstance(named, str) else None


def load_axes_sequence(
    path: str | Path,
    axes: Sequence[str],
    motion: Motion = "linear",
    given: Mapping[str, object] | None = None,
    text: str | None = None,
) -> AxesSequence:
    """Return the sequence for several axes at ``path``, or the shipped one of that bare name.

    Args:
        axes: names of the axes, in the order of the axes file.
        motion: kind of motion of every axis.
        given, text: as of :func:`hil.sequences.load_sequence`.

    Raises:
        ProfileError: with every problem found, each with file, line, key and fix.
    """
    file, name = find_sequence(path) if text is None else (Path(path), str(path))
    source = read_source(file, name, text)
    reader = AxesReader(axes)
    with speaking(motion):
        head, declared = reader.head(source)
        if head.axes is None:
            what = "this sequence is for one rig, not for several axes"
            fix = "write 'axes:' with the axes file in place of 'profile:'"
            raise ProfileError([source.problem(("profile",), what, fix)])
        if head.profile is not None:
            what = "a sequence is for the rig of a profile or for axes, not for both"
            raise ProfileError([source.problem(("profile",), what, "leave it out")])
        values, wrong = settle_values(declared, given or {})
        if wrong:
            problems = [
                Problem("parameters given", 0, 0, key, what, fix) for key, what, fix in wrong
            ]
            raise ProfileError(problems)
        placed = reader.steps_of(source, values, (file.resolve(),))
        _raise(reader)
        rounds = rounds_of(placed, axes)
        check_followed(rounds, axes, reader.wrong)
        powering = frozenset(
            i
            for i, each in enumerate(rounds)
            if any(isinstance(step, EnergiseStep) for step, _ in each.values())
        )
        sequences = {}
        for axis in axes:
            steps = tuple(each[axis][0] for each in rounds)
            written = tuple(each[axis][1] for each in rounds)
            check_order(steps, written, reader.wrong)
            sequences[axis] = AxisSequence(
                head.name,
                head.description,
                head.axes,
                steps,
                written,
                values,
                motion=motion,
                powering=powering,
            )
        _raise(reader)
    return AxesSequence(head.name, head.description, head.axes, sequences)


def _raise(reader: Reader) -> None:
    if reader.problems:
        raise ProfileError(list(reader.problems.values()))


class AxesReader(Reader):
    """Reader of steps that are for one axis or for every axis."""

    known = AXES_STEP_MODELS

    def __init__(self, axes: Sequence[str]) -> None:
        super().__init__()
        self._axes = axes
        self._axis = ""  # axis of the enclosing step, '' for every axis
        self._lists = 0  # number of lists read so far whose steps begin together
        self._together = 0

    def model_of(self, name: str, data: Mapping[str, Any]) -> type[BaseModel] | None:
        for (do, key), model in COUPLED.items():
            value = data.get(key)
            if name == do and isinstance(value, dict) and value.keys() != {"parameter"}:
                return model
        return self.known.get(name)

    def step(
        self, at: Written, data: object, values: Mapping[str, Any], above: tuple[Path, ...]
    ) -> Placed:
        axis = self._axis
        if isinstance(data, dict):
            data = dict(data)
            if "axis" in data:
                named = data.pop("axis")
                if not self._known_axis(at, "axis", named):
                    return []
                if axis and named != axis:
                    what = f"a step of '{named}' inside one of '{axis}'"
                    self.wrong(at, "axis", what, "leave 'axis' out of the outer or the inner one")
                    return []
                axis = named
            if data.get("do") == "together":
                return self._of_list(at, data, axis, values, above)
        before, self._axis = self._axis, axis
        try:
            steps = super().step(at, data, values, above)
        finally:
            self._axis = before
        for step, place in steps:
            self._followed(place, step)
        return [
            (step, place if place.axis else replace(place, axis=axis, together=self._together))
            for step, place in steps
        ]

    def _known_axis(self, at: Written, key: str, named: object) -> bool:
        if named in self._axes:
            return True
        fix = did_you_mean(named, self._axes) or f"write one of {', '.join(self._axes)}"
        self.wrong(at, key, f"no axis {shown(named)}", fix)
        return False

    def _followed(self, at: Written, step: Any) -> None:
        if isinstance(step, CoupledSpringStep):
            self._known_axis(at, "rest", step.rest.axis)
        elif isinstance(step, CoupledForceStep):
            self._known_axis(at, "force", step.force.axis)

    def _of_list(
        self,
        at: Written,
        data: dict[str, Any],
        axis: str,
        values: Mapping[str, Any],
        above: tuple[Path, ...],
    ) -> Placed:
        """Return the steps of a list that begin at once, one for each axis."""
        if axis:
            self.wrong(at, "axis", "'together' is for several axes", "leave 'axis' out")
            return []
        try:
            TogetherStep.model_validate(data)
        except ValidationError as error:
            for problem in explain(error, TogetherStep, at.source, at.path):
                self.add(problem)
            return []
        found: dict[str, int] = {}
        good = True
        for i, one in enumerate(data["steps"]):
            place = Written(at.source, (*at.path, "steps", i))
            named = one.get("axis") if isinstance(one, dict) else None
            inner = one.get("do") if isinstance(one, dict) else one
            if named is None:
                fix = f"add for instance 'axis: {self._axes[0]}'"
                self.wrong(place, "", "a step of 'together' needs its axis", fix)
            elif inner in ("together", "repeat", "sequence", "stop"):
                what = f"'{inner}' inside 'together'"
                self.wrong(place, "do", what, "put it before or after; a stop stops every axis")
            elif isinstance(named, str) and named in found:
                what = f"two steps for the axis '{named}' at once"
                self.wrong(place, "axis", what, "put one of them after this list")
            else:
                found[str(named)] = i
                continue
            good = False
        if not good:
            return []
        self._lists += 1
        self._together = self._lists
        try:
            return self.steps_of(at.source, values, above, at.path)
        finally:
            self._together = 0
