"""Steps of the bring-up: their findings, and the values verified so far."""

from __future__ import annotations

import datetime
import enum
from collections.abc import Callable, Generator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from drivers.motion import in_words, restated, restated_axis, restated_text, unit_name
from hil.bench import DriveFacts
from hil.procedures import Action, Seen
from hil.profile import Profile

EXPECTED = ("design", "as stated", "expected")


class Verdict(enum.StrEnum):
    """End of a step."""

    PASS = "pass"
    FAIL = "fail"
    NEEDS_PERSON = "needs a person"
    NOT_RUN = "not run"


@dataclass(frozen=True)
class Finding:
    """A named problem: ``code`` from ``hil.bringup.findings``, a sentence, and the fix.

    ``changes``: profile keys (dotted) and their new values as text, if the profile may be
    corrected instead.
    """

    code: str
    sentence: str
    fix: str
    changes: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Measured:
    """One figure of a step: its name, the expected value, and the reason for it."""

    name: str
    value: float | str
    unit: str = ""
    expected: str = ""
    why: str = ""
    good: bool = True

    def __post_init__(self) -> None:
        """Restate what was given in a linear actuator's unit, if another one is spoken of."""
        object.__setattr__(self, "name", in_words(self.name))
        object.__setattr__(self, "why", in_words(self.why))
        object.__setattr__(self, "expected", in_words(self.expected))
        unit = unit_name(self.unit)
        if unit == self.unit:
            return
        value = self.value
        if isinstance(value, str):
            value = restated_text(value, self.unit)
        else:
            value = float(f"{restated(value, self.unit):.6g}")
        object.__setattr__(self, "value", value)
        object.__setattr__(self, "expected", restated_text(self.expected, self.unit))
        object.__setattr__(self, "unit", unit)


@dataclass(frozen=True, eq=False)  # arrays do not compare to a single truth value
class Trace:
    """One line of a plot; ``x`` and ``y`` of the same length, in the plot's units.

    A label that ends in one of ``EXPECTED`` marks the expected curve of the line before it.
    """

    label: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]

    @property
    def expected(self) -> bool:
        return self.label.endswith(EXPECTED)


@dataclass(frozen=True)
class Plot:
    """A plot as evidence, given in a linear actuator's units and kept in those spoken of."""

    title: str
    x_label: str
    y_label: str
    traces: tuple[Trace, ...]
    levels: tuple[tuple[str, float], ...] = ()  # horizontal lines: label and height

    def __post_init__(self) -> None:
        (x_label, x), (y_label, y) = restated_axis(self.x_label), restated_axis(self.y_label)
        if (x_label, y_label) == (self.x_label, self.y_label):
            return
        traces = tuple(replace(t, x=x * t.x, y=y * t.y) for t in self.traces)
        levels = tuple((label, y * height) for label, height in self.levels)
        for name, value in (
            ("title", in_words(restated_axis(self.title)[0])),
            ("x_label", in_words(x_label)),
            ("y_label", in_words(y_label)),
            ("traces", traces),
            ("levels", levels),
        ):
            object.__setattr__(self, name, value)


@dataclass
class Result:
    """Result of one step. ``changes`` are measured values proposed for the profile."""

    step: str
    verdict: Verdict = Verdict.NOT_RUN
    text: str = ""
    measured: list[Measured] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    plots: list[Plot] = field(default_factory=list)
    changes: dict[str, str] = field(default_factory=dict)
    closed_loop: bool = False  # the force loop was closed in this step
    ended: datetime.datetime | None = None

    def judge(self) -> Result:
        """Set ``verdict`` from findings and measured values, unless it is set already."""
        if self.verdict is Verdict.NOT_RUN:
            bad = bool(self.findings) or not all(m.good for m in self.measured)
            self.verdict = Verdict.FAIL if bad else Verdict.PASS
        return self


@dataclass
class Context:
    """Context that every step may use.

    Attributes:
        profile: as loaded.
        facts: facts of the drive.
        known: values measured by earlier steps (SI; names end in their unit), kept in the record
            for a resumed bring-up. A step may rely only on values from the steps that it
            ``needs``.
        simulated: no person is present; simulated hands answer.
    """

    profile: Profile
    facts: DriveFacts
    known: dict[str, float] = field(default_factory=dict)
    simulated: bool = False


@dataclass(frozen=True)
class Step:
    """One step: texts for the operator, and the generator that performs it.

    Attributes:
        key: short name, as on the command line.
        happens: what will happen.
        wrong: what could go wrong.
        clear: what must be clear of the machine.
        energises: the power stage is on at some time.
        needs: keys of steps that must have passed.
        recheck_on_resume: run again when a bring-up is resumed, since its result may have changed.
    """

    key: str
    title: str
    happens: str
    wrong: str
    clear: str
    run: Callable[[Context], Generator[Action, Seen, Result]]
    energises: bool = False
    needs: tuple[str, ...] = ()
    recheck_on_resume: bool = False
