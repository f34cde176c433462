"""Test vectors of a rig's own recorded session: the wires of that session, replayed into the bench."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from drivers.base import Capabilities, DriverError, Telemetry
from hil.bench import CycleTiming
from hil.core import Sample
from hil.handover.law import Law
from hil.handover.vectors import (
    INPUTS,
    OUTPUTS,
    POWERED,
    CycleInputs,
    LawInputs,
    Vectors,
    answers,
    run_law,
)
from hil.host import Replayed, played
from hil.profile import Profile

MOST_CYCLES = 20_000  # of a recording: more would test nothing new
LEAST_CLOSED = 100  # cycles with a closed force loop, without which little is tested
SAME = 1e-9


class RecordingError(Exception):
    """Recording without usable vectors; the text gives the reason and the fix."""


class _Nowhere:
    """Receiver that discards samples and events."""

    def rows(self, rows: Any) -> None: ...

    def event(self, event: dict[str, Any]) -> None: ...


class _Gathering(Replayed):
    """Replay that gathers inputs and outputs, from a cold motor on, as the law starts."""

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.table: list[list[float]] = []
        self._inputs = CycleInputs(self)

    def begin_warm(self, shares: list[float]) -> None:
        pass

    def advance(self, telemetry: Telemetry, dt_s: float, timing: CycleTiming) -> Sample:
        powered = self.bench.state in POWERED
        row = super().advance(telemetry, dt_s, timing)
        if len(self.table) < MOST_CYCLES:
            inputs = self._inputs.gather(powered, dt_s)
            self.table.append([*inputs, *answers(self.bench, powered)])
        return row


def recorded_vectors(profile: Profile, recording: Path) -> tuple[Vectors, Capabilities]:
    """Return vectors of a session recorded with ``--log-wire``, and its drive's capabilities.

    Raises:
        RecordingError: it cannot be read, or the force loop is hardly ever closed in it.
    """
    try:
        with played(profile, recording) as (recorded, drive, timed):
            capabilities = drive.capabilities
            gathering = _Gathering(profile, drive, _Nowhere(), timed)
            gathering.run(recorded)
    except (DriverError, OSError) as error:
        raise RecordingError(f"'{recording}': {error}") from None
    table = np.array(gathering.table, dtype=float).reshape(-1, len(INPUTS) + len(OUTPUTS))
    vectors = Vectors(table[:, : len(INPUTS)], table[:, len(INPUTS) :], gathering.bench.by_velocity)
    closed = int(np.count_nonzero(vectors.inputs[:, INPUTS.index("closed")]))
    if closed < LEAST_CLOSED:
        raise RecordingError(
            f"'{recording}': the force loop is closed in {closed} cycles, needed are {LEAST_CLOSED}. "
            "Fix: record a session that holds or moves something"
        )
    return vectors, capabilities


def check_vectors(law: Law, vectors: Vectors, recording: Path) -> None:
    """Check a newly built law against recorded vectors.

    Raises:
        RecordingError: the session uses features that the law lacks.
    """
    for cycle, (inputs, expected) in enumerate(
        zip(vectors.inputs.tolist(), vectors.outputs.tolist(), strict=True)
    ):
        name = _other(run_law(law, LawInputs(*inputs)), expected)
        if name is not None:
            raise RecordingError(
                f"'{recording}': from cycle {cycle} on {name} differs from the law's: the session uses "
                "features that a law lacks, such as restricted operation, a session cap, or a zero that "
                "was found again. Fix: record an ordinary session: hookeline perform --log-wire"
            )


def _other(found: Sequence[float], expected: Sequence[float]) -> str | None:
    for name, a, b in zip(OUTPUTS, found, expected, strict=True):
        if not (abs(a - b) <= SAME or (math.isnan(a) and math.isnan(b))):
            return name
    return None
