"""A proposed redesign tried on the rig: its force response compared with that of the gains in force."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, replace

from hil.control import with_plant
from hil.core import Commission, TriedPlant
from hil.measure.guarded import GuardedTest, Part
from hil.measure.sheet import Sheet
from hil.measure.sheet_comparison import FigurePair, compare_sheets
from hil.procedures import Action, Ask, Seen
from hil.profile import Profile

TRIED = "force_response"  # the test that shows the effect of the gains
LEAST_MARGIN_DEG = 30.0  # common practice, no source
MARGINS = tuple(f"{TRIED}.margin_{size}" for size in ("small", "medium"))
LARGER_IS_BETTER = (*MARGINS, *(f"{TRIED}.bandwidth_{size}" for size in ("small", "medium")))


@dataclass(frozen=True)
class Trial:
    """Figures of the force response: first of the gains in force, second of the redesign.

    Attributes:
        pairs: figures of both sheets, in pairs; empty if the gains in force were not measured.
        problems: reasons against the redesign, as sentences; empty if it may be taken over.
    """

    pairs: tuple[FigurePair, ...]
    problems: tuple[str, ...]

    @property
    def accepted(self) -> bool:
        """True if the redesign may be taken over."""
        return not self.problems

    @property
    def sentence(self) -> str:
        if self.accepted:
            return "Tried: the redesign may be taken over."
        return f"Tried: keep the gains in force. {' '.join(self.problems)}"


def tried_plant(profile: Profile) -> TriedPlant:
    """Return the plant that a proposal's profile states."""
    actuator = profile.actuator
    return TriedPlant(
        rotor_inertia_kg_m2=actuator.motor.rotor_inertia,
        coulomb_N_m=actuator.friction.coulomb or None,
        breakaway_N_m=actuator.friction.breakaway or None,
    )


def on_trial(test: GuardedTest, plant: TriedPlant) -> GuardedTest:
    """Return the test on a bench whose force loop is designed for ``plant``.

    For a bench that runs the previous profile: each restricted operation requests this loop, and
    the loop ends with it.
    """

    def run(profile: Profile) -> Part:
        yield from _with_plant(test.run(with_plant(profile, plant)), plant)

    return replace(test, run=run)


def _with_plant(
    part: Generator[Action, Seen, None], plant: TriedPlant
) -> Generator[Action, Seen, None]:
    """Request ``plant`` wherever the part requests restricted operation."""
    try:
        action = next(part)
        while True:
            if isinstance(action, Ask) and isinstance(action.request, Commission):
                action = Ask(action.request.model_copy(update={"plant": plant}))
            try:
                seen = yield action
            except Exception as error:  # ends the part, or the part treats it as a finding
                action = part.throw(error)
            else:
                action = part.send(seen)
    except StopIteration:
        return
    finally:
        part.close()


def judge_trial(before: Sheet, tried: Sheet) -> Trial:
    """Judge whether a redesign that was tried is at least as good as the gains in force.

    It is worse if a phase margin is below 30°, or if a margin or bandwidth is lower than before by
    more than the uncertainty of both (E_n < −1).
    """
    found = {c.name: c for c in tried.characteristics}
    problems: list[str] = []
    for name in MARGINS:
        figure = found.get(name)
        if figure is None or not math.isfinite(figure.value):
            problems.append(f"{name} was not measured.")
        elif figure.value < LEAST_MARGIN_DEG:
            problems.append(
                f"{figure.title}: {figure.value:.0f}°, below {LEAST_MARGIN_DEG:.0f}°. Fix: lower "
                "control.force_bandwidth."
            )
    compared = compare_sheets(before.as_data(), tried.as_data())
    pairs = tuple(pair for pair in compared.pairs if pair.name.startswith(f"{TRIED}."))
    problems += [
        f"{pair.title}: {pair.second:.4g} {pair.unit}, with the gains in force "
        f"{pair.first:.4g} {pair.unit}."
        for pair in pairs
        if pair.name in LARGER_IS_BETTER and pair.score < -1.0
    ]
    return Trial(pairs, tuple(problems))
