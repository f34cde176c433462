"""Read a sequence file strictly; expand its loops, parameters and sub-sequences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticCustomError

from drivers.motion import Motion, speaking, spoken
from drivers.suggest import did_you_mean
from hil.profile import (
    SHIPPED,
    Problem,
    ProfileError,
    Source,
    example_of,
    explain,
    find_profile,
    motion_of,
    read_source,
    read_with_parts,
    shown,
)
from hil.sequences.axes_steps import CoupledSpringStep
from hil.sequences.parameters import Ranged, read_parameters, settle_values, with_values
from hil.sequences.sequence import LEAST_MEASURED_S, Sequence, Written, kind_of
from hil.sequences.sequence_steps import (
    MEASURED_VALUES,
    STEP_MODELS,
    Head,
    Lasting,
    RampStep,
    RepeatStep,
    SequenceStep,
    VirtualSpringStep,
    WaitUntilStep,
    WaveformStep,
)
from hil.sequences.step_order import check_order
from hil.sequences.tolerances import figure_setpoint, read_tolerance
from hil.sequences.waveform_files import read_points

SEQUENCES = SHIPPED / "sequences"
OF_AXES = SEQUENCES / "axes"
MOST_STEPS = 5000  # after expansion; for a longer session, repeat the whole sequence
MOST_READ = 2 * MOST_STEPS  # steps of all files, wrong ones included
DEEPEST = 8  # files within files


def shipped_sequences() -> list[str]:
    """Return the bare names of the shipped sequences for one rig, sorted."""
    return sorted(file.stem for file in SEQUENCES.glob("*.yaml"))


def shipped_axes_sequences() -> list[str]:
    """Return the bare names of the shipped sequences for several axes, sorted."""
    return sorted(file.stem for file in OF_AXES.glob("*.yaml"))


def load_sequence(
    path: str | Path, given: Mapping[str, object] | None = None, text: str | None = None
) -> Sequence:
    """Return the sequence at ``path``, or the shipped one of that bare name.

    Args:
        given: values of its parameters, as they would be written in the file.
        text: replaces the file's contents if given; files that it names lie next to ``path``.

    Raises:
        ProfileError: with every problem found, each with file, line, key and fix.
    """
    file, name = find_sequence(path) if text is None else (Path(path), str(path))
    source = read_source(file, name, text)
    reader = Reader()
    with speaking(_motion(source)):
        return _sequence(source, file, reader, given)


def _motion(source: Source) -> Motion:
    """Return the kind of motion that a sequence is written for, by the profile that it names."""
    named = source.data.get("profile")
    if not isinstance(named, str):
        return spoken()
    try:
        return motion_of(read_with_parts(find_profile(named)).data)
    except ProfileError:
        return spoken()


def _sequence(
    source: Source, file: Path, reader: Reader, given: Mapping[str, object] | None
) -> Sequence:
    head, declared = reader.head(source)
    if head.axes is not None:
        what = f"this sequence is for several axes ('{head.axes}'), not for one rig"
        fix = f"perform it with --profile {head.axes}"
        raise ProfileError([source.problem(("axes",), what, fix)])
    values, wrong = settle_values(declared, given or {})
    problems = [Problem("parameters given", 0, 0, key, what, fix) for key, what, fix in wrong]
    if problems:
        raise ProfileError(problems)
    steps = reader.steps_of(source, values, (file.resolve(),))
    if reader.problems:
        raise ProfileError(list(reader.problems.values()))
    reader.steps = [step for step, _ in steps]
    reader.written = [at for _, at in steps]
    check_order(reader.steps, reader.written, reader.wrong)
    if reader.problems:
        raise ProfileError(list(reader.problems.values()))
    return Sequence(
        head.name,
        head.description,
        head.profile,
        tuple(reader.steps),
        tuple(reader.written),
        values,
        motion=spoken(),
    )


def find_sequence(path: str | Path) -> tuple[Path, str]:
    given = Path(path)
    if given.exists():
        return given, str(path)
    bare = str(path).removesuffix(".yaml")
    shipped = [*shipped_sequences(), *shipped_axes_sequences()]
    if bare not in shipped:
        hint = did_you_mean(bare, shipped) or "check the path;"
        raise ProfileError(
            [Problem(str(path), 0, 0, "", "no such file", f"{hint} shipped: {', '.join(shipped)}")]
        )
    folder = OF_AXES if bare in shipped_axes_sequences() else SEQUENCES
    file = folder / f"{bare}.yaml"
    return file, str(file)


def directory_of(at: Written) -> Path:
    """Return the directory of the files named by this step."""
    return Path(at.source.file).parent


Placed = list[tuple[Any, Written]]


class Reader:
    """Reader of steps that collects their problems."""

    def __init__(self) -> None:
        self.problems: dict[tuple[str, int, str, str], Problem] = {}
        self.steps: list[Any] = []
        self.written: list[Written] = []
        self._read = 0
        self._files: dict[Path, tuple[Source, dict[str, Ranged]]] = {}

    known: Mapping[str, type[BaseModel]] = STEP_MODELS

    def model_of(self, name: str, data: Mapping[str, Any]) -> type[BaseModel] | None:
        """Return the model of a step of this name, None if the name is unknown."""
        return self.known.get(name)

    def wrong(self, at: Written, key: str, what: str, fix: str) -> None:
        self.add(at.problem(key, what, fix))

    def add(self, problem: Problem) -> None:
        # A step that is expanded twice is wrong once.
        at = (problem.file, problem.line, problem.key, problem.what)
        self.problems.setdefault(at, problem)

    def head(self, source: Source) -> tuple[Head, dict[str, Ranged]]:
        """Return the top level of a file and its parameters.

        Raises:
            ProfileError: not the top level of a sequence.
        """
        try:
            head = Head.model_validate(source.data)
        except ValidationError as error:
            raise ProfileError(explain(error, Head, source)) from None
        declared, problems = read_parameters(source)
        if problems:
            raise ProfileError(problems)
        return head, declared

    def steps_of(
        self,
        source: Source,
        values: Mapping[str, Any],
        above: tuple[Path, ...],
        path: tuple[str | int, ...] = (),
    ) -> Placed:
        """Return the expanded steps of a list.

        Args:
            above: files that are being read, outermost first.
            path: path of the mapping that contains ``steps``.
        """
        data = source.data
        for part in path:
            data = data[part]
        steps: Placed = []
        for i, one in enumerate(data["steps"]):
            if isinstance(one, str):
                one = data["steps"][i] = {"do": one}
            at = Written(source, (*path, "steps", i))
            steps += self.step(at, one, values, above)
            if len(steps) > MOST_STEPS:
                self._too_many(at)
        return steps

    def _too_many(self, at: Written) -> None:
        what = f"more than {MOST_STEPS} steps with loops and files expanded"
        fix = "repeat less often"
        raise ProfileError([at.problem("", what, fix)])

    def step(
        self, at: Written, data: object, values: Mapping[str, Any], above: tuple[Path, ...]
    ) -> Placed:
        self._read += 1
        if self._read > MOST_READ:
            self._too_many(at)
        known = ", ".join(self.known)
        if not isinstance(data, dict):
            self.wrong(at, "", f"{shown(data)} is not a step", "write '- do: float' and its keys")
            return []
        name = data.get("do")
        if name is None:
            self.wrong(at, "", "the key 'do' is missing", f"add 'do:' with one of {known}")
            return []
        model = self.model_of(name, data) if isinstance(name, str) else None
        if model is None:
            fix = did_you_mean(name, self.known) or f"write one of {known}"
            self.wrong(at, "do", f"{shown(name)} is not a step", fix)
            return []
        resolved, unknown = with_values(data, values, at.path)
        for path, what, fix in unknown:
            self.add(at.source.problem(path, what, fix))
        if unknown:
            return []
        try:
            step = model.model_validate(resolved)
        except ValidationError as error:
            for problem in explain(error, model, at.source, at.path):
                self.add(_as_written(problem))
            return []
        if isinstance(step, RepeatStep):
            return self._repeated(at, step, values, above)
        if isinstance(step, SequenceStep):
            return self._of_file(at, step, above)
        self._times(at, step)
        self._tolerance(at, step)
        if isinstance(step, WaveformStep):
            self._waveform(at, step)
        elif isinstance(step, RampStep):
            self._quantities(at, step, {"from": step.begin, "to": step.end})
        elif isinstance(step, WaitUntilStep):
            self._condition(at, step)
        return [(step, at)]

    def _repeated(
        self, at: Written, step: RepeatStep, values: Mapping[str, Any], above: tuple[Path, ...]
    ) -> Placed:
        once = self.steps_of(at.source, values, above, at.path)
        if len(once) * step.times > MOST_STEPS:
            self._too_many(at)
        return [
            (_numbered(inner, n) if step.times > 1 else inner, place)
            for n in range(1, step.times + 1)
            for inner, place in once
        ]

    def _of_file(self, at: Written, step: SequenceStep, above: tuple[Path, ...]) -> Placed:
        named = directory_of(at) / step.file
        file = named.resolve()
        if file in above:
            way = " → ".join(path.name for path in (*above[above.index(file) :], file))
            self.wrong(at, "file", f"a file that includes itself: {way}", "leave one of them out")
            return []
        if len(above) >= DEEPEST:
            what = f"files nested more than {DEEPEST} deep"
            self.wrong(at, "file", what, "write some of their steps here")
            return []
        if file not in self._files:
            if not named.is_file():
                fix = "its path is relative to this file's directory"
                self.wrong(at, "file", f"no file '{step.file}'", fix)
                return []
            try:
                source = read_source(file, str(named))
                self._files[file] = source, self.head(source)[1]
            except ProfileError as error:
                for problem in error.problems:
                    self.add(problem)
                return []
        source, declared = self._files[file]
        values, wrong = settle_values(declared, step.values)
        for name, what, fix in wrong:
            self.add(at.source.problem((*at.path, "with", name), what, fix))
        return [] if wrong else self.steps_of(source, values, (*above, file))

    def _quantities(self, at: Written, step: Any, texts: Mapping[str, str | None]) -> bool:
        good = True
        for key, text in texts.items():
            try:
                step.value(text)
            except PydanticCustomError as error:
                example = (
                    example_of("N", "20 N") if step.of == "force" else example_of("m", "20 mm")
                )
                self.wrong(at, key, error.message(), f"write for instance '{example}'")
                good = False
        return good

    def _condition(self, at: Written, step: WaitUntilStep) -> None:
        example = example_of(*MEASURED_VALUES[step.measured])
        for key, text in (("above", step.above), ("below", step.below)):
            try:
                if text is not None:
                    step.value(text)
            except PydanticCustomError as error:
                self.wrong(at, key, error.message(), f"write for instance '{example}'")
                return
        if step.above is None and step.below is None:
            self.wrong(at, "", "no condition is given", f"add 'above: {example}' or 'below: …'")
            return
        low, high = step.bounds
        if low >= high:
            what = f"no value is above {step.above} and below {step.below}"
            self.wrong(at, "above", what, "make 'above' the smaller of the two")
        if step.holds >= step.at_most:
            what = "it cannot hold for so long within 'at_most'"
            self.wrong(at, "holds", what, "shorten it, or increase 'at_most'")

    def _times(self, at: Written, step: Any) -> None:
        if not isinstance(step, Lasting) or step.measure is None:
            return
        window = step.lasts - step.settle
        if window < LEAST_MEASURED_S:
            self.wrong(
                at,
                "for",
                f"leaves {max(window, 0.0):g} s to measure after settling",
                f"make it at least {step.settle + LEAST_MEASURED_S:g} s, or shorten 'settle'",
            )
        push = step.push
        if isinstance(step, VirtualSpringStep | CoupledSpringStep) and (
            push is None or push.frequency is None
        ):
            self.wrong(
                at,
                "measure",
                "a stiffness can be measured only while something moves the output",
                "add 'push: {force: 8 N, frequency: 1 Hz}'",
            )
        elif push is not None and push.frequency is not None and window * push.frequency < 1.0:
            self.wrong(
                at,
                "for",
                f"measures {window:g} s, less than one period of the push",
                f"make it at least {step.settle + 1.0 / push.frequency:.3g} s",
            )

    def _tolerance(self, at: Written, step: Any) -> None:
        text = getattr(step, "tolerance", None)
        if text is None:
            return
        if step.measure is None:
            self.wrong(
                at,
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
            self.wrong(at, "tolerance", what, fix)

    def _waveform(self, at: Written, step: WaveformStep) -> None:
        self._quantities(at, step, {"offset": step.offset, "amplitude": step.amplitude})
        if step.shape != "file":
            if step.file is not None:
                self.wrong(at, "file", f"a {step.shape} has no file", "write 'shape: file'")
            return
        if step.file is None:
            self.wrong(at, "shape", "the key 'file' is missing", "add 'file: NAME.csv'")
            return
        try:
            step.with_points(read_points(directory_of(at) / step.file))
        except ValueError as error:
            what, _, fix = str(error).partition("; ")
            self.wrong(at, "file", what, fix)


def _numbered(step: Any, number: int) -> Any:
    """Return the step with the number of the repetition added to its figure's name."""
    if getattr(step, "measure", None) is None:
        return step
    return step.model_copy(update={"measure": f"{step.measure} ({number})"})


def _as_written(problem: Problem) -> Problem:
    return replace(problem, fix=problem.fix.replace("'for: …'", "'for: 3 s'"))
