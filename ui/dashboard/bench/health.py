"""Connection and timing as short texts."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hil.bench import LOST, WHY_OPEN
from hil.control import cap_text, limits_reduced
from hil.link import ROUND_TRIP_MOST_S
from hil.supervision import winding_degC
from ui.dashboard.bench.first_notices import heat_text
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.bench.wording import duration_text

DRIFT_WORDS = {
    "old": "calibration old",
    "undated": "calibration undated",
    "zero_moved": "zero has moved",
    "motor_disagrees": "motor and springs disagree",
}


@dataclass(frozen=True)
class HealthWord:
    """One short text; ``brief`` takes its place where the window is narrow."""

    text: str
    well: bool = True
    tooltip: str = ""
    brief: str = ""


def _winding(model: OperateModel) -> HealthWord:
    motor = model.profile.actuator.motor
    well = model.winding <= model.profile.limits.motor_heat.limited
    tooltip = (
        f"estimated, hottest phase, at {motor.ambient_temperature:.0f} °C ambient; "
        f"{heat_text(model.description) or 'started cold'}"
    )
    text = f"winding about {winding_degC(model.profile, model.winding):.0f} °C"
    return HealthWord(text, well, tooltip)


def _link(delay_s: float) -> HealthWord:
    tooltip = (
        f"round trip over the network; hold-to-run and restricted operation need "
        f"{1e3 * ROUND_TRIP_MOST_S:.0f} ms or a client on the rig's computer"
    )
    return HealthWord(f"link {1e3 * delay_s:.0f} ms", delay_s <= ROUND_TRIP_MOST_S, tooltip)


def health(model: OperateModel) -> list[HealthWord]:
    """Return connection and timing as short texts, faults marked."""
    words: list[HealthWord] = []
    if model.recorder_lost:
        words.append(HealthWord("RECORDER LOST", False, "another one is being started"))
    if model.unverified:
        shut = limits_reduced(model.description)
        text = "UNVERIFIED: reduced limits" if shut else "UNVERIFIED: limits opened"
        words.append(HealthWord(text, False, model.unverified, "UNVERIFIED"))
    if cap := cap_text(model.cap):
        tooltip = f"{cap}: limits narrower than the profile's"
        words.append(HealthWord(f"SESSION CAP {cap}", False, tooltip, "CAP"))
    if model.reference in WHY_OPEN:
        lost = "LOST" if model.reference == LOST else "NOT VERIFIED"
        brief = "REFERENCE LOST" if lost == "LOST" else "NO REFERENCE"
        words.append(HealthWord(f"REFERENCE {lost}", False, WHY_OPEN[model.reference], brief))
    if not model.link_well:
        words.append(HealthWord("rig host silent", False))
    else:
        age = model.value("telemetry_age_s")
        if math.isnan(age) or age > model.profile.limits.telemetry_age:
            words.append(HealthWord("drive silent", False, "no fresh sample from the drive"))
        else:
            words.append(HealthWord("drive answering"))
        rate = model.rate_hz()
        asked = model.profile.control.rate
        if math.isfinite(rate):
            shown = f"{rate / 1e3:.2f} kHz" if asked >= 1000 else f"{rate:.0f} Hz"
            words.append(HealthWord(shown, rate > 0.98 * asked, f"{asked:g} Hz nominal"))
        words.append(HealthWord(f"{model.late_cycles} late", True, "cycles that overran"))
        if math.isfinite(model.link_delay_s):
            words.append(_link(model.link_delay_s))
        if model.lost_samples:
            words.append(HealthWord(f"{model.lost_samples} samples lost here", False))
        if math.isfinite(model.winding):
            words.append(_winding(model))
        realtime = model.description.get("realtime")
        if realtime is not None:  # not known of a recorded run
            granted = bool(realtime.get("granted"))
            notice = str(realtime.get("notice", ""))
            words.append(HealthWord("real-time" if granted else "not real-time", granted, notice))
    words += [
        HealthWord(DRIFT_WORDS.get(found.code, found.code), False, f"{found.sentence}; {found.fix}")
        for found in model.drift
    ]
    if model.service:
        words.append(HealthWord("needs service", False, "; ".join(model.service)))
    if model.recording_since is not None:
        words.append(HealthWord(f"recording {duration_text(model.time_s - model.recording_since)}"))
    return words
