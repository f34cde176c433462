"""A session as a short YAML file: read it strictly, scale it in time, make it a procedure."""

from __future__ import annotations

import csv
import difflib
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from hil.core import MOST_POINTS
from hil.profile import (
    SHIPPED,
    Problem,
    Profile,
    ProfileError,
    Source,
    dotted,
    explain,
    read_source,
    shown,
)
from hil.sequences.sequence_steps import (
    STEPS,
    BehaviourStep,
    EnergiseStep,
    HangStep,
    Head,
    HoldPositionStep,
    Lasting,
    MarkerStep,
    PowerOffStep,
    PushStep,
    ResetStep,
    StopStep,
    TareStep,
    VirtualSpringStep,
    WaitStep,
    WaveformStep,
)
from hil.sequences.tolerances import figure_setpoint, read_tolerance

SEQUENCES = SHIPPED / "sequences"
LEAST_MEASURED_S = 1.0
LEAST_SHARE = 0.35  # of its own time a step keeps when a sequence is shortened
SETTLE_SHARE = 0.6


@dataclass(frozen=True)
class Sequence:
    """A checked sequence. ``stretch`` multiplies the times that may be scaled."""

    name: str
    description: str
    profile: str | None
    steps: tuple[Any, ...]
    source: Source
    stretch: float = 1.0

    @property
    def seconds(self) -> float:
        """Duration of the steps together, in s (starts and answers come on top)."""
        return sum(self.length(step) for step in self.steps)

    @property
    def needs_person(self) -> bool:
        """True if somebody has to act at a real rig: loads, pushes, the load's support."""
        return any(
            isinstance(step, HangStep | EnergiseStep | PushStep)
            or getattr(step, "push", None) is not None
            for step in self.steps
        )

    @property
    def figures(self) -> list[tuple[str, str]]:
        """(kind, name) of everything the sequence measures."""
        return [
            (kind_of(step), step.measure)
            for step in self.steps
            if getattr(step, "measure", None) is not None
        ]

    def length(self, step: Any) -> float:
        """Time that a step takes at the present stretch, in s."""
        lasts = getattr(step, "lasts", 0.0)
        return max(least_length(step), lasts * self.stretch) if lasts else 0.0

    def settle(self, step: Lasting) -> float:
        """Time in s before a step's measurement; gives way when a sequence is shortened."""
        spare = self.length(step) - least_window(step)
        return max(SETTLE_SHARE * step.settle, min(step.settle, spare))

    def fitted(self, seconds: float) -> Sequence:
        """The same sequence in about ``seconds`` s in all.

        Raises:
            ValueError: too short for its measurements to mean anything.
        """
        least = sum(least_length(step) for step in self.steps if getattr(step, "lasts", 0.0))
        if seconds < least:
            raise ValueError(
                f"{seconds:g} s is too short for the sequence '{self.name}': its movements and "
                f"measurements need at least {math.ceil(least)} s"
            )
        low, high = 0.0, max(2.0, 2.0 * seconds / self.seconds)
        for _ in range(60):
            middle = (low + high) / 2
            shorter = replace(self, stretch=middle).seconds < seconds
            low, high = (middle, high) if shorter else (low, middle)
        return replace(self, stretch=high)


def kind_of(step: Any) -> str:
    """Kind of the figure that a step's ``measure`` gives."""
    if isinstance(step, HangStep | HoldPositionStep):
        return "hold"
    return str(step.do)


def least_window(step: Lasting) -> float:
    """Shortest measurement in s: a push must come round in it."""
    push = step.push
    if push is None or push.frequency is None:
        return LEAST_MEASURED_S
    return max(LEAST_MEASURED_S, 1.5 / push.frequency)


def least_length(step: Any) -> float:
    """Shortest time a step can be given and still mean something, in s."""
    lasts: float = getattr(step, "lasts", 0.0)
    least = LEAST_SHARE * lasts
    if isinstance(step, HoldPositionStep):
        # A move needs its time whatever the clock says.
        least = max(least, 0.75 * lasts)
    if isinstance(step, Lasting) and step.measure is not None:
        least = max(least, SETTLE_SHARE * step.settle + least_window(step))
    return min(least, lasts)


# ------------------------------------------------------------------------- reading


def shipped_sequences() -> list[str]:
    """Bare names of the sequences that come with the package, sorted."""
    return sorted(file.stem for file in SEQUENCES.glob("*.yaml"))


def load_sequence(path: str | Path) -> Sequence:
    """The sequence at ``path``, or the shipped one of that bare name.

    Raises:
        ProfileError: with every problem found, each with file, line, key and fix.
    """
    given = Path(path)
    file, name = given, str(path)
    if not given.exists():
        bare = str(path).removesuffix(".yaml")
        shipped = shipped_sequences()
        if bare not in shipped:
            near = difflib.get_close_matches(bare, shipped, 1)
            hint = f"did you mean '{near[0]}'? " if near else "check the path; "
            raise ProfileError(
                [Problem(name, 0, 0, "", "no such file", f"{hint}shipped: {', '.join(shipped)}")]
            )
        file = SEQUENCES / f"{bare}.yaml"
        name = str(file)
    source = read_source(file, name)
    try:
        head = Head.model_validate(source.data)
    except ValidationError as error:
        raise ProfileError(explain(error, Head, source)) from None
    reader = _Reader(source, file.parent)
    steps = tuple(reader.step(i, data) for i, data in enumerate(head.steps))
    if not reader.problems:
        reader.order(steps)
    if reader.problems:
        raise ProfileError(reader.problems)
    return Sequence(head.name, head.description, head.profile, steps, source)


class _Reader:
    """Reads steps and collects what is wrong with them."""

    def __init__(self, source: Source, directory: Path) -> None:
        self.source = source
        self.directory = directory
        self.problems: list[Problem] = []

    def wrong(self, index: int, key: str, what: str, fix: str) -> None:
        path: tuple[str | int, ...] = ("steps", index)
        if key:
            path = (*path, key)
        place = self.source.place(path)
        self.problems.append(Problem(place.file, place.line, place.column, dotted(path), what, fix))

    def step(self, index: int, data: object) -> Any:
        if isinstance(data, str):
            data = {"do": data}
            self.source.data["steps"][index] = data
        known = ", ".join(STEPS)
        if not isinstance(data, dict):
            self.wrong(index, "", f"{shown(data)} is no step", "write '- do: float' and its keys")
            return None
        name = data.get("do")
        if name is None:
            self.wrong(index, "", "the key 'do' is missing", f"add 'do:' with one of {known}")
            return None
        model = STEPS.get(name) if isinstance(name, str) else None
        if model is None:
            near = difflib.get_close_matches(str(name), STEPS, 1)
            self.wrong(
                index,
                "do",
                f"{shown(name)} is no step",
                f"did you mean '{near[0]}'?" if near else f"write one of {known}",
            )
            return None
        try:
            step = model.model_validate(data)
        except ValidationError as error:
            found = explain(error, model, self.source, ("steps", index))
            self.problems += [_as_written(problem) for problem in found]
            return None
        self._times(index, step)
        self._tolerance(index, step)
        if isinstance(step, WaveformStep):
            self._waveform(index, step)
        return step

    def _times(self, index: int, step: Any) -> None:
        if not isinstance(step, Lasting) or step.measure is None:
            return
        window = step.lasts - step.settle
        if window < LEAST_MEASURED_S:
            self.wrong(
                index,
                "for",
                f"leaves {max(window, 0.0):g} s to measure after settling",
                f"make it at least {step.settle + LEAST_MEASURED_S:g} s, or shorten 'settle'",
            )
        push = step.push
        if isinstance(step, VirtualSpringStep) and (push is None or push.frequency is None):
            self.wrong(
                index,
                "measure",
                "a stiffness is measured while something moves the output",
                "add 'push: {force: 8 N, frequency: 1 Hz}'",
            )
        elif push is not None and push.frequency is not None and window * push.frequency < 1.0:
            self.wrong(
                index,
                "for",
                f"measures {window:g} s, less than one period of the push",
                f"make it at least {step.settle + 1.0 / push.frequency:.3g} s",
            )

    def _tolerance(self, index: int, step: Any) -> None:
        text = getattr(step, "tolerance", None)
        if text is None:
            return
        if step.measure is None:
            self.wrong(
                index,
                "tolerance",
                "this step measures nothing",
                "add 'measure: NAME', or leave it out"
                if step.do not in ("float", "waveform")
                else "leave it out",
            )
            return
        try:
            read_tolerance(text, kind_of(step), figure_setpoint(step))
        except ValueError as error:
            what, _, fix = str(error).partition("; ")
            self.wrong(index, "tolerance", what, fix)

    def _waveform(self, index: int, step: WaveformStep) -> None:
        for key in ("offset", "amplitude"):
            try:
                step.value(getattr(step, key))
            except Exception as error:
                unit = "N" if step.of == "force" else "mm"
                self.wrong(index, key, str(error), f"write for instance '20 {unit}'")
        if step.shape != "file":
            if step.file is not None:
                self.wrong(index, "file", f"a {step.shape} has no file", "write 'shape: file'")
            return
        if step.file is None:
            self.wrong(index, "shape", "the key 'file' is missing", "add 'file: NAME.csv'")
            return
        try:
            step.with_points(read_points(self.directory / step.file))
        except ValueError as error:
            what, _, fix = str(error).partition("; ")
            self.wrong(index, "file", what, fix)

    def order(self, steps: tuple[Any, ...]) -> None:
        """Return whether the steps can follow each other on any rig."""
        powered = stopped = working = False
        for i, step in enumerate(steps):
            name = step.do
            if stopped and not isinstance(step, ResetStep | MarkerStep | WaitStep | HangStep):
                self.wrong(i, "do", f"'{name}' while stopped", "put '- reset' before it")
                return
            if isinstance(step, EnergiseStep):
                if powered:
                    self.wrong(i, "do", "the power stage is on already", "leave it out")
                powered, working = True, False
            elif isinstance(step, PowerOffStep):
                powered = working = False
            elif isinstance(step, StopStep):
                stopped, powered, working = True, False, False
            elif isinstance(step, ResetStep):
                if not stopped:
                    self.wrong(i, "do", "nothing to reset: no stop before it", "leave it out")
                stopped = False
            elif isinstance(step, BehaviourStep):
                if not powered:
                    self.wrong(i, "do", f"'{name}' without power", "put '- power_on' before it")
                working = True
            elif isinstance(step, TareStep) and working:
                self.wrong(i, "do", "tare while a behaviour is active", "tare before the first one")
            if isinstance(step, HangStep) and step.measure is not None and not working:
                self.wrong(
                    i,
                    "measure",
                    "nothing holds the load whose sag is to be measured",
                    "put 'do: hold_position' before it",
                )
        if powered or stopped:
            self.wrong(
                len(steps) - 1,
                "do",
                "the sequence ends with the rig " + ("stopped" if stopped else "energised"),
                "end it with '- reset'" if stopped else "end it with '- power_off'",
            )


def _as_written(problem: Problem) -> Problem:
    """``for`` is no name a model's field can have; say it as the file does."""
    fix = re.sub(r"\blasts\b", "for", problem.fix).replace("'for: …'", "'for: 3 s'")
    return replace(problem, fix=fix)


def read_points(path: Path) -> tuple[tuple[float, float], ...]:
    """Time in s and value of a CSV file with the header ``time_s,value``.

    Raises:
        ValueError: "what; fix", naming the file and line.
    """
    if not path.is_file():
        raise ValueError(f"no file '{path.name}'; its name is taken from this file's directory")
    points: list[tuple[float, float]] = []
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.reader(stream)
            header = [cell.strip() for cell in next(reader, [])]
            if header != ["time_s", "value"]:
                raise ValueError(
                    f"{path.name}:1: the header is not 'time_s,value'; write it as the first line"
                )
            for cells in reader:
                if not cells:
                    continue
                where = f"{path.name}:{reader.line_num}"
                try:
                    moment, value = (float(cell) for cell in cells)
                except ValueError:
                    raise ValueError(
                        f"{where}: not two numbers; write 'time,value' in SI units"
                    ) from None
                if not (math.isfinite(moment) and math.isfinite(value)):
                    raise ValueError(f"{where}: not finite; write plain numbers")
                if moment < 0 or (points and moment <= points[-1][0]):
                    raise ValueError(f"{where}: time does not grow; sort the rows by time_s")
                points.append((moment, value))
                if len(points) > MOST_POINTS:
                    raise ValueError(
                        f"{path.name}: more than {MOST_POINTS} points; keep every second row or "
                        "fewer: straight lines join the points"
                    )
    except (UnicodeDecodeError, csv.Error):
        raise ValueError(f"{path.name}: not CSV text; save it as UTF-8") from None
    except OSError as error:
        raise ValueError(f"{path.name}: {error.strerror}; check its permissions") from None
    if len(points) < 2:
        raise ValueError(f"{path.name}: fewer than two points; a waveform needs two")
    return tuple(points)


def unfit(sequence: Sequence, profile: Profile) -> list[Problem]:
    """Return the demands of a sequence that this rig cannot meet: loads it does not have."""
    weights = profile.rig.weights
    problems = []
    for i, step in enumerate(sequence.steps):
        if (
            isinstance(step, HangStep)
            and step.mass > 0
            and weights
            and not any(math.isclose(step.mass, weight, rel_tol=1e-6) for weight in weights)
        ):
            place = sequence.source.place(("steps", i, "mass"))
            known = ", ".join(f"{weight:g} kg" for weight in weights)
            problems.append(
                Problem(
                    place.file,
                    place.line,
                    place.column,
                    f"steps[{i}].mass",
                    f"the rig '{profile.name}' has no weight of {step.mass:g} kg",
                    f"write one of {known}, or add it to the profile's rig.weights",
                )
            )
    return problems
