"""``hookeline check --compare-sources``: one force loop over each source of motion."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from drivers.motion import NEWTON_SECONDS_PER_M, STIFFNESS, restated, unit_name
from hil.control import VelocityGains, design, design_velocity
from hil.profile import Profile, TwoSlopes, drive_options

# A cyclic command takes effect with the next synchronous message.
COMMAND_DELAY_CYCLES = 1.0
BANDWIDTH_SHARE = 0.97  # of the requested one; the design stops there as well
COLUMNS = (
    ("bandwidth_Hz", "bandwidth", "Hz"),
    ("phase_margin_deg", "margin", "°"),
    ("overshoot_percent", "overshoot", "%"),
    ("force_noise_N", "noise", "N rms"),
    ("stiffness_ceiling_N_per_mm", "spring up to", "N/mm"),
    ("drag_N_s_per_m", "drag", "N·s/m"),
)


def compare_sources(profile: Profile) -> list[dict[str, Any]]:
    """Return the predicted figures for a drive commanded in torque, velocity and position.

    Drag is the apparent damping of an output that is moved against zero force, above the corner of
    the integral; None if the loop has no drag by design.
    """
    control = profile.control
    period = 1.0 / control.rate
    delay = COMMAND_DELAY_CYCLES * period
    torque = design(profile, period, delay)
    law = profile.calibration.spring_law
    own = law.inner_rate if isinstance(law, TwoSlopes) else torque.plant.stiffness
    found = []
    for source in ("torque", "velocity", "position"):
        commanded = control.model_copy(update={"source": source})
        of_source = profile.model_copy(update={"control": commanded})
        gains = torque if source == "torque" else design_velocity(of_source, period, delay)
        drag = gains.drag_N_s_m if isinstance(gains, VelocityGains) else None
        predicted = gains.predicted
        passive = gains.most_stiffness_N_m if drag is not None else control.passive_fraction * own
        most = min(passive, gains.most_stiffness_N_m)
        found.append(
            {
                "source": source,
                "bandwidth_Hz": predicted.bandwidth_Hz,
                "phase_margin_deg": predicted.phase_margin_deg,
                "overshoot_percent": 100.0 * predicted.overshoot,
                "force_noise_N": predicted.force_noise_N,
                "stiffness_ceiling_N_per_mm": most / 1e3,
                "drag_N_s_per_m": drag,
                "notice": gains.notice,
            }
        )
    return found


def recommended(profile: Profile, sources: Sequence[Mapping[str, Any]]) -> str:
    """Return the recommended source, of those that the drive takes, and the reason.

    Sources that reach the requested bandwidth come first; among them one without drag, then the
    one with the stiffest virtual spring.
    """
    taken = getattr(drive_options(profile), "modes", ()) or ("torque",)
    able = [row for row in sources if row["source"] in taken]
    wanted = BANDWIDTH_SHARE * profile.control.force_bandwidth
    reaching = [row for row in able if row["bandwidth_Hz"] >= wanted]
    if not reaching:
        best = max(able, key=lambda row: row["bandwidth_Hz"])
        why = f"none reaches {profile.control.force_bandwidth:g} Hz, this one comes closest"
    else:
        best = max(
            reaching,
            key=lambda row: (row["drag_N_s_per_m"] is None, row["stiffness_ceiling_N_per_mm"]),
        )
        why = (
            f"virtual springs up to {restated(best['stiffness_ceiling_N_per_mm'], 'N/mm'):.4g}{STIFFNESS}, "
            + (
                "no drag by design"
                if best["drag_N_s_per_m"] is None
                else f"{NEWTON_SECONDS_PER_M(best['drag_N_s_per_m']):.4g}{NEWTON_SECONDS_PER_M} of drag"
            )
        )
    return f"recommended: {best['source']} ({why}; the drive takes {' and '.join(sorted(taken))})"


def table(sources: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Yield the lines of the comparison; none without sources."""
    if not sources:
        return
    head = "".join(f"{f'{word}, {_unit_words(unit)}':>19}" for _key, word, unit in COLUMNS)
    yield f"  {'source':10}{head}"
    for row in sources:
        cells = "".join(
            f"{'–' if row[key] is None else format(_in(row[key], unit), '.4g'):>19}"
            for key, _word, unit in COLUMNS
        )
        yield f"  {row['source']:10}{cells}"
    for row in sources:
        if row["notice"]:
            yield f"  {row['source']}: {row['notice']}"


def _in(value: float, unit: str) -> float:
    return restated(value, unit.removesuffix(" rms"))


def _unit_words(unit: str) -> str:
    of, space, rms = unit.partition(" ")
    return f"{unit_name(of)}{space}{rms}"
