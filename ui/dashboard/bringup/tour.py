"""Tour of a bring-up on the simulated rig: what its captions say, and when. No Qt."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ui.dashboard.guided import Caption

if TYPE_CHECKING:
    from ui.dashboard.bringup.model import BringUpModel

Said = Caption["BringUpModel"]


def reached(key: str, kind: str = "") -> Callable[[BringUpModel], bool]:
    """Return a test that a step or a later one runs; with ``kind`` only while it asks that."""

    def has(bringup: BringUpModel) -> bool:
        if bringup.current is None:
            return False
        keys = [step.key for step in bringup.steps]
        if key not in keys or keys.index(bringup.current.key) < keys.index(key):
            return False
        return not kind or (bringup.question is not None and bringup.question.kind == kind)

    return has


def _begun(bringup: BringUpModel) -> bool:
    return bringup.running


def _held(bringup: BringUpModel) -> bool:
    return bringup.holding and reached("first_motion")(bringup)


def _all_passed(bringup: BringUpModel) -> bool:
    return not bringup.running and bringup.passed == len(bringup.steps)


CAPTIONS = (
    Said(
        "These steps bring up a rig that is not known yet. Each relies on those above it: power stays "
        "off until what it needs is verified. This rig is simulated; nothing real moves.",
        "list",
    ),
    Said("Press G, or Begin. The first six steps leave the power off.", "begin"),
    Said(
        "Here you read what the step does, what could go wrong and what must be clear. So far the "
        "drive is only monitored.",
        "words",
        _begun,
    ),
    Said(
        "Here are the values measured and those expected, in a record to print and sign.",
        "evidence",
    ),
    Said(
        "Your turn. The picture shows what a hand does at the rig: press Enter (Done), and the "
        "simulated hand does it.",
        "prompt",
        reached("sensors_by_hand", "act"),
        tries=True,
    ),
    Said(
        "Simulated hands answer again. H gives every answer to you, at any time; B aborts.", "hands"
    ),
    Said(
        "Power comes on for the first time, without torque: does every stop remove it? The red "
        "strip below and Esc stop the rig at any moment.",
        "standing",
        reached("stop_chain"),
    ),
    Said(
        "Your turn. Hold the space bar, or the mouse on this button: the motor may turn only while "
        "you hold. Releasing it stops the rig; that is always right.",
        "hold",
        reached("first_motion", "hold"),
        tries=True,
    ),
    Said(
        "It runs because you hold. The curves are the last seconds of nut and force. Hold until "
        "the text asks you to release.",
        "prompt",
        _held,
    ),
    Said(
        "From here each step uses more force, relying on those before. A step that fails "
        "leaves the power off and names the mistake with its fix. The force loop comes last.",
        "list",
        reached("travel"),
    ),
    Said(
        "All steps have passed. U writes the measured values into the profile, once you confirm. "
        "Ctrl+T ends the tour: the page is yours.",
        "prompt",
        _all_passed,
    ),
)
