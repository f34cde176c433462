"""Calibrate the simulated rig in every known wrong way, and check the findings.

    .venv/bin/python tests/campaigns/calibration_wrong.py --check

Each mistake is made on a rig of its own, in lockstep: another weight hangs than was named, an arm
differs from the profile, springs or sensor are faulty, or loads are left out.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from hil.bench.lockstep import LockstepBench
from hil.calibration.session import Options, calibrate
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import SimulatedOperator
from hil.profile.loader import load_profile
from hil.profile.schema import Lever, Profile

PROFILE = "footplate_trainer"
PROCESSES = 2
QUICK = Options(series=1, read_s=0.1)
# With wrong arms 7.5 kg would press too hard; it is refused before it hangs.
LIGHTER = Options(weights_kg=(2.5, 5.0, 6.5), series=1, read_s=0.1)


@dataclass(frozen=True)
class InjectedFault:
    """One way to do it wrong.

    Attributes:
        code: of the finding that must come; empty: none may. words: in its sentence or fix.
        hung: mass named → mass hung. once: at the first of them only.
        actual: how the rig is. written: how the profile's lever differs from the rig.
        options: of the session. refused: it must fail before anything is hung.
    """

    code: str
    words: str = ""
    hung: Mapping[float, float] = field(default_factory=dict)
    once: bool = False
    actual: Mapping[str, float] = field(default_factory=dict)
    written: Mapping[str, float] = field(default_factory=dict)
    options: Options = QUICK
    refused: bool = False


INJECTED_FAULTS: dict[str, InjectedFault] = {
    "nothing wrong, three series": InjectedFault("", options=Options(read_s=0.1)),
    "nothing wrong, no sweep": InjectedFault("", options=Options(read_s=0.1, sweep=False)),
    "weights in the wrong order": InjectedFault(
        "wrong_order", "lightest first", {2.5: 5.0, 5.0: 2.5}
    ),
    "newtons typed for kilograms": InjectedFault(
        "", "meant in newtons", options=Options(weights_kg=(24.5, 49.0)), refused=True
    ),
    "kilograms typed for newtons": InjectedFault(
        "wrong_unit",
        "kilograms were typed for newtons",
        {0.255: 2.5, 0.51: 5.0, 0.765: 7.5},
        options=Options(weights_kg=(0.255, 0.51, 0.765), series=1, read_s=0.1),
    ),
    "load arm a tenth longer": InjectedFault("arm_wrong", "longer", written={"load_arm": 1 / 1.1}),
    "load arm a tenth shorter": InjectedFault(
        "arm_wrong", "shorter", written={"load_arm": 1.1}, options=LIGHTER
    ),
    "rod arm a tenth off": InjectedFault(
        "arm_wrong", "rod arm", written={"rod_arm": 1 / 1.1}, options=LIGHTER
    ),
    "one weight not hung": InjectedFault("not_hung", "hang 5 kg", {5.0: 0.0}, once=True),
    "another weight hung once": InjectedFault("other_weight", "hang 2.5 kg", {2.5: 5.0}, once=True),
    "loads only upward": InjectedFault(
        "only_rising", "one by one", options=Options(series=1, read_s=0.1, falling=False)
    ),
    "one weight only": InjectedFault(
        "too_few", "hang more weights", options=Options(weights_kg=(2.5,), series=1, read_s=0.1)
    ),
    "pan forgotten": InjectedFault("pan_forgotten", "hang the pan", actual={"pan_mass_kg": 0.0}),
    "lever on its stop": InjectedFault(
        "on_stop", "under the lever", actual={"peak_current_A": 8.0}
    ),
    "solid height, by the clamp": InjectedFault(
        "solid", "solid height", actual={"spring_solid_m": 0.0045}
    ),
    "solid height, by a weight": InjectedFault(
        "solid", "leave 7.5 kg out", actual={"spring_solid_m": 0.0057}
    ),
    "sensor near its rail": InjectedFault(
        "near_rail", "set the sensor", actual={"sensor_zero_counts": 2398.0}
    ),
    "preload lost": InjectedFault("no_preload", "preload", actual={"spring_preload_m": -0.0005}),
}


def rigged(mistake: InjectedFault) -> tuple[Profile, Profile]:
    """Return the profile as the operator wrote it, and as the rig is."""
    told = load_profile(PROFILE)
    assert isinstance(told.rig, Lever) and told.simulation is not None
    simulation = told.simulation.model_copy(
        update={"actual": {**told.simulation.actual, **mistake.actual}}
    )
    real = told.model_copy(update={"simulation": simulation})
    lever = {name: getattr(told.rig, name) * share for name, share in mistake.written.items()}
    return real.model_copy(update={"rig": told.rig.model_copy(update=lever)}), real


class WrongHands(LockstepRunner):
    """A person who hangs what the mistake specifies."""

    mistake: InjectedFault
    done = False

    def _hang(self, mass_kg: float) -> bool:
        hung = mass_kg if self.done else self.mistake.hung.get(mass_kg, mass_kg)
        self.done = self.done or (self.mistake.once and hung != mass_kg)
        return super()._hang(hung)


def run(name: str) -> tuple[str, list[tuple[str, str, str]], str]:
    """Return the name, the errors as (code, sentence, fix), and how the calibration ended."""
    mistake = INJECTED_FAULTS[name]
    written, real = rigged(mistake)
    bench = LockstepBench(real, 1)
    hands = SimulatedOperator(bench.environment, bench.drive.core.parameters)
    runner = WrongHands(bench, operator=hands)
    runner.mistake = mistake
    ended = runner.run(calibrate(written, mistake.options))
    result: Any = ended.value
    found = (
        []
        if result is None
        else [(f.code, f.sentence, f.fix) for f in result.findings if f.severity == "error"]
    )
    return name, found, "" if ended.how == "finished" else f"{ended.how}: {ended.text}"


def shortfall(name: str, found: list[tuple[str, str, str]], ended: str) -> str:
    mistake = INJECTED_FAULTS[name]
    if mistake.refused:
        return "" if mistake.words in ended else f"not refused as it must be ({ended or 'ran'})"
    if ended:
        return ended
    codes = [code for code, _, _ in found]
    if not mistake.code:
        return f"false alarm: {', '.join(codes)}" if codes else ""
    if mistake.code not in codes:
        return f"not found ({', '.join(codes) or 'nothing'})"
    if any(code != mistake.code for code in codes):
        return f"more than one name: {', '.join(codes)}"
    if not any(mistake.words in sentence + fix for _, sentence, fix in found):
        return f"'{mistake.words}' is not said"
    return ""


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--only", choices=sorted(INJECTED_FAULTS), help="one of them")
    parser.add_argument("--check", action="store_true", help="exit 1 naming what falls short")
    options = parser.parse_args(arguments)
    names = [options.only] if options.only else list(INJECTED_FAULTS)
    short = {}
    with multiprocessing.get_context("spawn").Pool(PROCESSES, os.nice, (15,)) as pool:
        for name, found, ended in pool.imap(run, names):
            missing = shortfall(name, found, ended)
            if missing:
                short[name] = missing
            said = "; ".join(sentence for _, sentence, _ in found) or ended or "nothing found"
            print(f"{'SHORT' if missing else 'ok':5} {name:28} {said}", flush=True)
    print(f"{len(names) - len(short)} of {len(names)} as they must be")
    for name, missing in short.items():
        print(f"short: {name}: {missing}", file=sys.stderr)
    return 1 if options.check and short else 0


if __name__ == "__main__":
    sys.exit(main())
