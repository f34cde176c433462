"""Run a million cycles on a simulated rig that wears, and on one that does not.

One cycle of each block of 10 000 is simulated and measured; the wear of the others is applied in
between. A rig that wears runs to the trend, and again on to a limit or the end. Onsets must be
dated within 5 %; for slow wear (below a standard deviation a block) the stated range must contain
the onset.

    OPENBLAS_NUM_THREADS=1 python -m tests.campaigns.wear [--quick] [--json]
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from hil.bench import LockstepBench
from hil.procedures import LockstepRunner
from hil.profile import load_profile
from hil.sequences import load_sequence
from hil.wear import Callbacks, Enough, Journal, Plan, endure

BLOCK, CYCLES, ONSET = 10_000, 1_000_000, 500_000
LIFT = """\
name: lift
steps:
  - {do: hang, mass: 2.5 kg, for: 0.1 s}
  - power_on
  - {do: hold_position, position: 12 mm, speed: 60 mm/s, for: 0.6 s}
  - {do: hold_position, position: 40 mm, speed: 120 mm/s, for: 0.6 s}
  - {do: hold_position, position: 12 mm, speed: 120 mm/s, for: 0.6 s}
  - {do: hold_position, position: 3 mm, speed: 60 mm/s, for: 0.5 s}
  - power_off
"""


@dataclass(frozen=True)
class Rig:
    """A rig that wears from ``ONSET`` on.

    Attributes:
        friction: growth of the dry friction, share a million cycles. softening: of the springs.
        sign: the sign of wear that must show it; '' without wear.
    """

    name: str
    friction: float = 0.0
    softening: float = 0.0
    sign: str = ""


RIGS = (
    Rig("without wear"),
    Rig("friction grows", friction=6.0, sign="friction_N"),
    Rig("springs soften", softening=0.4, sign="stiffness_N_m"),
)
SLOW = (
    Rig("friction grows slowly", friction=0.3, sign="friction_N"),
    Rig("springs soften slowly", softening=0.03, sign="stiffness_N_m"),
)


def run(rig: Rig, stop_on_trend: bool, seed: int, cycles: int = CYCLES) -> dict[str, object]:
    """Run one rig; return how it ended, and the findings."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "lift.yaml"
        file.write_text(LIFT)
        journal = Journal(Path(folder) / "journal.jsonl", {"rig": rig.name}, go_on=False)
        bench = LockstepBench(load_profile("footplate_trainer"), seed)

        def wear(count: int) -> None:
            million = max(0, count - ONSET) / 1e6
            bench.environment.disturb("friction_factor", 1.0 + rig.friction * million)
            bench.environment.disturb("spring_factor", max(0.05, 1.0 - rig.softening * million))

        told = Callbacks(before=wear)
        plan = Plan(
            cycles=cycles, measure_every=BLOCK, stands_for=BLOCK, stop_on_trend=stop_on_trend
        )
        procedure = endure(load_sequence(file), bench.profile, plan, journal, told)
        ended = LockstepRunner(bench).run(procedure)
        journal.close()
        enough = ended.value if isinstance(ended.value, Enough) else None
        changes = [trend.change for trend in told.trends.values() if trend.change is not None]
        return {
            "rig": rig.name,
            "ended": enough.why if enough is not None else ended.how,
            "text": enough.text if enough is not None else ended.text,
            "cycles": journal.count,
            "changes": [vars(change) for change in changes],
        }


def _dated(rig: Rig, change: dict[str, float]) -> bool:
    if rig in SLOW:
        return change["onset_low"] <= ONSET <= change["onset_high"]
    return abs(change["onset"] - ONSET) <= 0.05 * ONSET


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="the worn rigs, to the trend only")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    found, good = [], True
    for rig in RIGS[1:] if options.quick else (*RIGS, *SLOW):
        first = run(rig, True, options.seed)
        found.append(first)
        said = [c["name"] for c in first["changes"]]  # type: ignore[attr-defined]
        if not rig.sign:
            good &= not said and first["ended"] == "count"
        else:
            mine = [c for c in first["changes"] if c["name"] == rig.sign]  # type: ignore[attr-defined]
            good &= first["ended"] == "trend" and bool(mine) and _dated(rig, mine[0])
        if rig in RIGS[1:] and not options.quick:
            found.append(run(rig, False, options.seed))
            good &= int(first["cycles"]) < int(found[-1]["cycles"])  # type: ignore[call-overload]
        if not options.json:
            for one in found[-2:]:
                print(f"{one['rig']}: {one['ended']} at {one['cycles']}: {one['text']}", flush=True)
    if options.json:
        print(json.dumps(found))
    print("as promised" if good else "NOT as promised", file=sys.stderr)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
