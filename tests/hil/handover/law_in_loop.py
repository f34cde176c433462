"""The simulated rig under the C law, whose torque replaces the bench's in each cycle."""

from __future__ import annotations

import ctypes
import math
import subprocess
from pathlib import Path
from typing import Any

from hil.bench import LockstepBench
from hil.core import State
from hil.handover.vectors import INPUTS, OUTPUTS, CycleInputs

# check.c of the vectors as a library: main renamed, the law kept between calls.
GLUE = """\
#define main check_main
#include "check.c"
static struct Law in_loop;
void loop_begin(void) { law_init(&in_loop); }
void loop_step(const double *in, double *out) { run(&in_loop, in, out); }
"""
TORQUE, TRIPPED, CLOSED = (
    OUTPUTS.index("torque_N_m"),
    OUTPUTS.index("tripped"),
    INPUTS.index("closed"),
)


def built(package: Path, folder: Path) -> ctypes.CDLL:
    """Return the C law of a package as a shared library."""
    (folder / "loop.c").write_text(GLUE)
    library = folder / "liblaw.so"
    words = ["gcc", "-std=c99", "-O1", "-fPIC", "-shared", f"-I{package / 'c'}", "-Wno-unused"]
    subprocess.run(
        [*words, str(folder / "loop.c"), str(package / "c" / "law.c"), "-lm", "-o", str(library)],
        check=True,
    )
    law = ctypes.CDLL(str(library))
    law.loop_step.argtypes = [ctypes.POINTER(ctypes.c_double)] * 2
    law.loop_step.restype = None
    return law


class LawInLoop(LockstepBench):
    """A lockstep bench whose drive receives the torque of the C law.

    Attributes:
        worst_N_m, worst_m_s: largest difference from the torque, or velocity, of the bench.
        cycles: number of cycles under the C law with the loop closed.
        tripped: codes of the limits at which the C law would remove power.
    """

    def __init__(self, law: ctypes.CDLL, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._law = law
        law.loop_begin()
        self._inputs = CycleInputs(self)
        self._in = (ctypes.c_double * len(INPUTS))()
        self._out = (ctypes.c_double * len(OUTPUTS))()
        self.worst_N_m = self.worst_m_s = 0.0
        self.cycles = 0
        self.tripped: set[int] = set()

    def _cycle_in_time(self) -> None:
        powered = self.bench.state in (State.STANDBY, State.RUNNING)
        super()._cycle_in_time()
        self._under_law(powered)

    def _under_law(self, powered: bool) -> None:
        bench = self.bench
        for i, value in enumerate(self._inputs.gather(powered)):
            self._in[i] = value
        self._law.loop_step(self._in, self._out)
        if self._out[TRIPPED]:
            self.tripped.add(int(self._out[TRIPPED]))
        if self._in[CLOSED] and bench.by_velocity:
            velocity = self._out[TORQUE]
            self.worst_m_s = max(self.worst_m_s, abs(velocity - bench._answer.velocity_m_s))
            self.cycles += 1
            command, turned = bench.command, bench._telemetry.position_rad
            command.velocity_rad_s = velocity / bench.nut_per_rad
            if bench.position_target is not None:
                gain = 2 * math.pi * bench.profile.control.position_loop.bandwidth
                command.position_rad = turned + command.velocity_rad_s / gain
        elif self._in[CLOSED]:
            torque = self._out[TORQUE]
            own = bench.command.torque_N_m * bench.sign
            self.worst_N_m = max(self.worst_N_m, abs(torque - own))
            self.cycles += 1
            bench.command.torque_N_m = torque * bench.sign
