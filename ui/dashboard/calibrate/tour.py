"""Tour of a calibration on the simulated rig: what its captions say, and when. No Qt."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ui.dashboard.guided import Caption

if TYPE_CHECKING:
    from ui.dashboard.calibrate.model import CalibrateModel

Said = Caption["CalibrateModel"]
SOME_POINTS = 4  # a law is fitted to them


def _begun(calibrating: CalibrateModel) -> bool:
    return calibrating.running


def _asks(calibrating: CalibrateModel) -> bool:
    question = calibrating.question
    return question is not None and question.kind == "act"


def _settles(calibrating: CalibrateModel) -> bool:
    progress = calibrating.run.progress
    return calibrating.running and progress is not None and progress.kind == "settling"


def _has_points(calibrating: CalibrateModel) -> bool:
    return calibrating.running and len(calibrating.points) >= SOME_POINTS


def _found(calibrating: CalibrateModel) -> bool:
    return calibrating.phase == "result"


CAPTIONS = (
    Said(
        "The force is computed from the deflection of the springs. A calibration relates readings "
        "to force, by known weights on the lever. The form lists them. This rig is simulated; "
        "nothing real moves.",
        "form",
    ),
    Said("Press G, or Begin. Work by hand comes before anything moves.", "begin"),
    Said("Here you read what to do next. Weights change with the power off.", "prompt", _begun),
    Said(
        "Your turn: press Enter (Done), and the simulated hand does what the prompt says. Then the "
        "rig may move.",
        "prompt",
        _asks,
        tries=True,
    ),
    Said("Simulated hands do the rest. H gives every answer to you; B aborts.", "hands"),
    Said(
        "Each point is approached from below and from above. It is taken once the reading has "
        "settled: drift and scatter are below their limits.",
        "prompt",
        _settles,
    ),
    Said(
        "The points so far, with the law fitted to them. Three series, loads rising and falling: "
        "it takes a few minutes.",
        "points",
        _has_points,
    ),
    Said(
        "The law, with its band (k = 2). A accepts it, Ins keeps it as evidence, Del discards it; "
        "nothing changes before you choose. Ctrl+T ends the tour.",
        "outcome",
        _found,
    ),
)
