"""Statics of the rig from force and position alone: for the drawing and the large numbers."""

from __future__ import annotations

import math

from hil.profile import Arm, Lever, Profile


def rig_text(profile: Profile) -> str:
    """Return the rig in half a line."""
    rig = profile.rig
    if isinstance(rig, Arm):
        return f"joint with an arm of {1e3 * rig.load_arm:g} mm"
    if isinstance(rig, Lever):
        return f"lever rig {1e3 * rig.rod_arm:g} : {1e3 * rig.load_arm:g} mm"
    return "linear rig, " + ("vertical" if rig.vertical else "horizontal")


def lever_angle(rig: Lever, output_m: float) -> float:
    """Return the angle of the lever above level in rad for an output position in m."""
    moved = (output_m - rig.level_position) / rig.rod_arm
    if rig.attachment == "pin":
        return math.asin(min(max(moved, -1.0), 1.0))
    return moved


def borne_mass(profile: Profile, force_N: float, output_m: float) -> float:
    """Return the mass in kg that a spring force would balance at rest at an output position.

    Lever: moments about the pivot, less its own weight and the pan. Linear rig, vertical: F/g less
    the carriage; horizontal: NaN.
    """
    rig = profile.rig
    if isinstance(rig, Lever):
        angle = lever_angle(rig, output_m)
        cosine = math.cos(angle) if math.isfinite(angle) else math.nan
        if not cosine > 0.1:
            return math.nan
        arm = rig.rod_arm * (cosine if rig.attachment == "pin" else 1.0)
        at_load = force_N * arm / (rig.gravity * rig.load_arm * cosine)
        return at_load - rig.lever_mass * rig.lever_centre / rig.load_arm - rig.pan_mass
    if rig.vertical:
        return force_N / rig.gravity - rig.carriage_mass
    return math.nan
