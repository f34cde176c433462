"""Words for the output of a rig: texts of the tests are written for a lever."""

from __future__ import annotations

import re
from dataclasses import replace

from hil.measure.characteristic import Characteristic, Diagram, Evaluation
from hil.profile import Linear, Profile

_LEVER = re.compile(r"\b(L|l)ever\b")


def rig_words(text: str, profile: Profile) -> str:
    """Return a text about a lever in the words of this rig: a linear one has a carriage."""
    if not isinstance(profile.rig, Linear):
        return text
    return _LEVER.sub(lambda found: "Carriage" if found[1] == "L" else "carriage", text)


def in_rig_words(found: Evaluation, profile: Profile) -> Evaluation:
    """Return an evaluation whose texts are in the words of this rig."""

    def figure(c: Characteristic) -> Characteristic:
        return replace(
            c,
            title=rig_words(c.title, profile),
            conditions=rig_words(c.conditions, profile),
            causes=rig_words(c.causes, profile),
        )

    def diagram(plot: Diagram) -> Diagram:
        lines = tuple(replace(x, label=rig_words(x.label, profile)) for x in plot.lines)
        return replace(plot, title=rig_words(plot.title, profile), lines=lines)

    if not isinstance(profile.rig, Linear):
        return found
    return Evaluation(
        tuple(map(figure, found.characteristics)),
        tuple(map(diagram, found.diagrams)),
        tuple(rig_words(note, profile) for note in found.notes),
    )
