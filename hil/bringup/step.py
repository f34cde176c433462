"""Steps of the bring-up: their findings, and the values verified so far."""

from __future__ import annotations

import datetime
import enum
from collections.abc import Callable, Generator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

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
    """A plot as evidence."""

    title: str
    x_label: str
    y_label: str
    traces: tuple[Trace, ...]
    levels: tuple[tuple[str, float], ...] = ()  # horizontal lines: label and height


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
        facts: of the drive.
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
