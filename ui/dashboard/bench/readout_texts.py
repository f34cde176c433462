"""The big numbers as texts."""

from __future__ import annotations

from dataclasses import dataclass

from hil.core import label
from hil.profile import Lever
from hil.supervision import limit_margins
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.bench.wording import number


@dataclass(frozen=True)
class Readout:
    """A big number: ``value`` and ``unit`` large, ``note`` beside, ``below`` underneath."""

    label: str
    value: str
    unit: str
    note: str = ""
    below: str = ""


def readouts(model: OperateModel) -> list[Readout]:
    """The numbers over the rig picture, the spring force first."""
    band = model.figure("force_u95_N")
    tare = f", tare {number(model.tare_N, 0)}" if model.tare_N else ""
    return [
        Readout(
            "Spring force",
            number(model.figure("spring_force_N"), 0),
            "N",
            f"± {number(band, 0 if band >= 2 else 1)}",
            f"from motor {number(model.figure('motor_force_N'), 0)} N{tare}",
        ),
        Readout("Deflection", number(1e3 * model.figure("deflection_m"), 2), "mm"),
        Readout("Output", number(1e3 * model.figure("output_position_m"), 1), "mm"),
        Readout(
            "At load arm" if isinstance(model.profile.rig, Lever) else "Bears",
            number(model.borne_mass(), 1),
            "kg",
        ),
    ]


def limited_words(model: OperateModel) -> str:
    """Return the limits that trim, each with the value at which it does."""
    margins = {label(each.limit): each for each in limit_margins(model.profile, model.figures)}
    words = []
    for name in model.limited:
        margin = margins.get(name)
        most = margin.text.rpartition(" of ")[2] if margin and " of " in margin.text else ""
        words.append(name.lower() + (f" ({most})" if most else ""))
    return ", ".join(words)
