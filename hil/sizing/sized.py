"""All combinations of a list of parts, best first."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

from drivers.suggest import nearest
from hil.sizing.combination import Combination
from hil.sizing.figure import Figure
from hil.sizing.figures import figures, loop_figure
from hil.sizing.parts import Parts
from hil.sizing.requirements import Requirements

MOST_COMBINATIONS = 20_000  # about 10 s
DESIGNED = 3  # of the best, whose force loop is designed; each takes up to 2 s


# Keys of the parts that make an output of this kind.
KINDS = {"linear": ("screws", "springs"), "rotary": ("gears", "torsion_springs")}


class SizingError(Exception):
    """Requirements that cannot be sized; the text says why and gives the fix."""


@dataclass(frozen=True)
class Sized:
    """A combination with its figures; ``designed`` if that of the force loop is among them."""

    choice: Combination
    figures: tuple[Figure, ...]
    designed: bool = False

    @property
    def margin(self) -> float:
        """The smallest margin: below 1 a requirement is not met."""
        return min((figure.margin for figure in self.figures), default=math.inf)

    @property
    def met(self) -> bool:
        return all(figure.met for figure in self.figures)

    @property
    def limiting(self) -> Figure:
        """The figure with the smallest margin."""
        return min(self.figures, key=lambda figure: figure.margin)

    @property
    def missed(self) -> tuple[Figure, ...]:
        return tuple(figure for figure in self.figures if not figure.met)

    @property
    def order(self) -> tuple[int, float]:
        """Sort key: fewest misses first, then the largest of the smallest margins."""
        return len(self.missed), -self.margin

    def figure(self, key: str) -> Figure:
        """Return a figure by key.

        Raises:
            KeyError: no such figure.
        """
        for figure in self.figures:
            if figure.key == key:
                return figure
        raise KeyError(key)

    def with_loop(self) -> Sized:
        """Return the same with the designed loop's figure."""
        if self.designed:
            return self
        return replace(self, figures=(*self.figures, loop_figure(self.choice)), designed=True)


def size(required: Requirements, parts: Parts) -> list[Sized]:
    """Return every combination, best first; the loop is designed for the best few.

    Raises:
        SizingError: too many combinations, or a kind of part is not listed.
    """
    motion = required.motion
    transmissions, sets = parts.transmissions(motion), parts.sets(motion)
    for kind, listed in zip(KINDS[motion], (transmissions, sets), strict=True):
        if not listed:
            raise SizingError(f"the parts list no {kind}. Fix: add some under '{kind}'")
    many = len(parts.motors) * len(transmissions) * len(sets)
    if many > MOST_COMBINATIONS:
        raise SizingError(
            f"{many} combinations are more than {MOST_COMBINATIONS}. Fix: leave out parts that "
            "do not come into question"
        )
    found = [
        sized(Combination(required, *chosen))
        for chosen in itertools.product(parts.motors, transmissions, sets)
    ]
    found.sort(key=lambda one: (one.order, one.choice.name))
    best = [one.with_loop() for one in found[:DESIGNED]]
    best.sort(key=lambda one: (one.order, one.choice.name))
    return best + found[DESIGNED:]


def sized(choice: Combination) -> Sized:
    """Return one combination with its figures."""
    return Sized(choice, tuple(figures(choice)))


def named(found: list[Sized], name: str) -> Sized:
    """Return the combination of this name, or of this place in the list counted from 1.

    Raises:
        SizingError: no such combination.
    """
    if name.isdecimal() and 1 <= int(name) <= len(found):
        return found[int(name) - 1].with_loop()
    for one in found:
        if one.choice.name == name:
            return one.with_loop()
    names = [one.choice.name for one in found]
    kind = found[0].choice.transmission.KIND.upper()
    raise SizingError(
        f"no combination '{name}'{nearest(name, names)}; Fix: write MOTOR/{kind}/SPRINGS or a number "
        f"from 1 to {len(found)}"
    )
