"""``hookeline check``: is this profile valid, and which figures follow from it."""

from __future__ import annotations

import argparse
import math
from typing import Any

from drivers.motion import FORCE, restated, speak, unit_name, worded
from drivers.registry import find_protocol
from drivers.transport import Budgeting
from hil.calibration import age_warning
from hil.control import (
    VelocityGains,
    design_source,
    driven_current_A,
    reduced_text,
    sine_N,
    standing,
)
from hil.profile import (
    AS_INSIDE,
    STATED_AS,
    Conventions,
    Problem,
    Profile,
    ProfileError,
    TwoSlopes,
    drive_options,
    examine_profile,
    holding_force,
    is_axes_file,
    load_axes,
    motor_force,
    shipped_axes,
    shipped_profiles,
)
from ui.commands.answers import (
    BAD_INPUT,
    OK,
    CommandError,
    add_command,
    answer,
    number,
    say,
    say_row,
)
from ui.commands.compare_sources import COMMAND_DELAY_CYCLES, compare_sources, recommended, table
from ui.commands.springs import set_text, sets_data, sets_of


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "check",
        "validate a profile and show the figures that follow from it",
        "Read a profile strictly, as every other command does, and show the figures that\n"
        "follow from it: reflected mass, force per torque, stiffness up to which a virtual\n"
        "spring is passive, force bandwidth and margin to be expected, load on the bus.\n\n"
        "Each mistake is one line: FILE:LINE: KEY: what is wrong; the fix. Nothing is opened\n"
        "and nothing can move.\n\n"
        "With --listen the wire is opened and the board's messages are shown: no motion, the\n"
        "power stage stays untouched, and only a poll that the profile declares is sent.\n"
        "With --compare-sources a table compares the force loop on a drive commanded in torque\n"
        "with one commanded in velocity (control.velocity_loop) and in position\n"
        "(control.position_loop), and recommends one of those that the drive takes.\n"
        "With --ports the connected adapters and serial ports are listed.",
        "  hookeline check my_rig.yaml\n"
        "  hookeline check footplate_trainer --json\n"
        "  hookeline check my_rig.yaml --listen --seconds 10\n"
        "  hookeline check --ports\n",
    )
    parser.add_argument(
        "profile",
        nargs="?",
        help="profile or axes file, or a shipped one: "
        + ", ".join([*shipped_profiles(), *shipped_axes()]),
    )
    parser.add_argument("--listen", action="store_true", help="show the board's messages")
    parser.add_argument("--seconds", type=number, help="how long to listen, in s (default: 5)")
    parser.add_argument(
        "--compare-sources",
        action="store_true",
        help="compare the force loop on torque-commanded and velocity-commanded drives",
    )
    parser.add_argument("--ports", action="store_true", help="list connected adapters and ports")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    if options.ports or options.listen:
        # Loaded only here: the search for adapters.
        from ui.commands.listen import listen, ports

        if options.ports:
            return ports(options)
    if options.profile is None:
        raise CommandError(
            "name a profile, or list connected adapters and ports with --ports", BAD_INPUT
        )
    if options.listen:
        return listen(options)
    if options.seconds is not None:
        raise CommandError("--seconds belongs to --listen", BAD_INPUT)
    if is_axes_file(options.profile):
        return _axes(options)
    answer(options, _checked(options, options.profile))
    return OK


def _axes(options: argparse.Namespace) -> int:
    """Check an axes file: what its axes cannot do together, and the profile of each."""
    axes = load_axes(options.profile)
    say(options, f"{axes.name}: {len(axes.profiles)} axes at {axes.rate_Hz:g} Hz")
    for axis, leader in axes.buses().items():
        if axis != leader:
            say(options, f"  {axis} is on the same wires as {leader}")
    data = {}
    for axis, path in axes.paths.items():
        say(options, f"axis {axis}:")
        data[axis] = _checked(options, str(path))
    answer(options, {"axes": data, "name": axes.name, "valid": True})
    return OK


def _checked(options: argparse.Namespace, path: str) -> dict[str, Any]:
    """Show the figures of the profile of one rig; return data for ``--json``."""
    examined = examine_profile(path)
    if examined.profile is None:
        raise ProfileError(examined.errors)
    profile = examined.profile
    speak(profile.motion)
    rows = figures(profile, examined.conventions)
    say(options, f"{profile.name}: the profile is valid")
    for _key, label, value, unit, note in rows:
        text = f"{value:.4g} {unit}" if isinstance(value, float) else f"{value}"
        say_row(options, f"  {label:34} {text:>16}  ", note)
    sources = compare_sources(profile) if options.compare_sources else []
    for line in table(sources):
        say(options, line)
    best = recommended(profile, sources) if sources else ""
    if best:
        say_row(options, "  ", best)
    verification = standing(profile)
    say_row(options, "verification: ", verification.text)
    if not verification.open:
        say_row(options, "until then ", reduced_text(profile))
    rig = sets_of(path)
    for one in rig.sets:
        say_row(options, "springs: ", f"{set_text(one)}: {one.file.name}")
    for broken in rig.broken:
        say_row(options, "springs: ", str(broken))
    warnings = [*examined.warnings, *_age(path, profile)]
    for warning in warnings:
        say_row(options, "warning: ", str(warning))
    return {
        "profile": profile.name,
        "valid": True,
        "figures": {key: value for key, _label, value, _unit, _note in rows},
        "verification": verification.as_data(),
        **({"sources": sources, "recommended": best} if sources else {}),
        **({"spring_sets": sets_data(rig.sets)} if rig.sets else {}),
        **({"spring_sets_left_out": [str(one) for one in rig.broken]} if rig.broken else {}),
        "warnings": [warning.as_data() for warning in warnings],
    }


def _age(path: str, profile: Profile) -> list[Problem]:
    found = age_warning(profile.calibration)
    if found is None:
        return []
    return [Problem(path, 0, 0, "calibration.dated", found.sentence, found.fix, "warning")]


def figures(
    profile: Profile, conventions: Conventions = AS_INSIDE
) -> list[tuple[str, str, float | str, str, str]]:
    """Return (key with unit, label, value in that unit, unit, note) of each derived figure."""
    actuator, control, limits = profile.actuator, profile.control, profile.limits
    screw, law = actuator.transmission, profile.calibration.spring_law
    rows: list[tuple[str, str, float | str, str, str]] = [
        (
            "reflected_mass_kg",
            worded("Mass of motor and screw at the nut", "Inertia of motor and gear at the joint"),
            actuator.reflected_mass,
            "kg",
            worded("J·(2π/lead)² + nut", "J·ratio² + gear"),
        ),
        (
            worded("force_per_torque_N_per_N_m", "torque_per_torque"),
            worded("Force per motor torque", "Torque per motor torque"),
            float(FORCE(screw.efficiency_forward * actuator.radians_per_metre)),
            worded("N/(N·m)", "N·m/(N·m)"),
            worded("2π·η/lead", "η·ratio"),
        ),
        (
            "force_at_current_limit_N",
            worded("Force at the current limit", "Torque at the current limit"),
            motor_force(profile, limits.current.limited),
            "N",
            f"limit {FORCE(limits.force.limited):g}{FORCE}",
        ),
    ]
    inside = conventions.notes(profile)
    for key, label, convention in (
        ("current", "Currents are stated as", conventions.current),
        ("winding", "The winding is stated", conventions.winding),
    ):
        rows.append((f"{key}_convention", label, STATED_AS[convention], "", inside[key]))
    if isinstance(law, TwoSlopes):
        rows += [
            (
                "passive_stiffness_N_per_mm",
                "Virtual stiffness, passive up to",
                control.passive_fraction * law.inner_rate / 1e3,
                "N/mm",
                f"{control.passive_fraction:g} of the springs' own; above it: {control.over_stiff}",
            ),
            (
                "passive_stiffness_beyond_knee_N_per_mm",
                "the same beyond the knee",
                control.passive_fraction * law.outer_rate / 1e3,
                "N/mm",
                f"from {FORCE(law.inner_rate * law.knee):.0f}{FORCE} on, one spring set is slack",
            ),
        ]
        own = math.sqrt(law.inner_rate / actuator.reflected_mass) / (2 * math.pi)
        rows.append(
            ("natural_frequency_Hz", "Natural frequency, output blocked", own, "Hz", "√(k/m)/2π")
        )
    period = 1.0 / control.rate
    gains = design_source(profile, period, COMMAND_DELAY_CYCLES * period)
    if isinstance(gains, VelocityGains):
        rows += [
            (
                "rendered_stiffness_N_per_mm",
                f"the same over a drive commanded in {control.source}",
                gains.most_stiffness_N_m / 1e3,
                "N/mm",
                "by the lag of its velocity loop; see 'hookeline help velocity_source'",
            ),
            (
                "drag_N_s_per_m",
                "Drag that a hand feels while the output floats",
                gains.drag_N_s_m,
                "N·s/m",
                f"(1 − α)·k/P of the {control.source}-sourced loop",
            ),
        ]
    predicted = gains.predicted
    rows += [
        (
            "force_bandwidth_Hz",
            worded("Force bandwidth to be expected", "Torque bandwidth to be expected"),
            predicted.bandwidth_Hz,
            "Hz",
            gains.notice or f"−3 dB, output blocked; requested {control.force_bandwidth:g} Hz",
        ),
        (
            "force_bandwidth_amplitude_N",
            "for sines of an amplitude of",
            sine_N(profile)[1],
            "N",
            "includes the friction that the feed-forward leaves",
        ),
        (
            "current_loop_lag_ms",
            "Current loop's time constant",
            1e3 * control.current_loop_lag,
            "ms",
            "control.current_loop_lag, part of the design",
        ),
        (
            "driven_current_A",
            "Current the lowest supply drives at the speed limit",
            driven_current_A(profile, limits.supply.low, limits.speed.limited),
            "A",
            f"(V − back-EMF)/R; limit {limits.current.limited:g} A",
        ),
        (
            "phase_margin_deg",
            "Phase margin to be expected",
            predicted.phase_margin_deg,
            "°",
            f"never below {control.phase_margin:g}°",
        ),
    ]
    for i, weight in enumerate(profile.rig.weights):
        force = holding_force(profile, weight)
        rows.append(
            (
                f"force_to_hold_{i}_N",
                worded("Rod force", "Torque") + f" to hold {weight:g} kg",
                force,
                "N",
                f"{force / limits.force.limited:.0%} of the limit",
            )
        )
    rows += _bus(profile)
    calibration = profile.calibration
    rows.append(
        (
            "calibration",
            "Calibration",
            calibration.dated or "no date",
            "",
            calibration.identity or "entered by hand, without a file",
        )
    )
    rows.append(
        (
            "control_heartbeat_ms",
            "Heartbeat limit of the holder of control",
            profile.link.control_heartbeat * 1e3,
            "ms",
            "",
        )
    )
    return [_restated(row) for row in rows]


# Endings of keys: of a linear actuator, and of a rotary one.
_ENDINGS = {"kg": "kg_m2", "N": "N_m", "N/mm": "N_m_per_rad", "N·s/m": "N_m_s_per_rad"}
_LINEAR_ENDINGS = {"kg": "kg", "N": "N", "N/mm": "N_per_mm", "N·s/m": "N_s_per_m"}


def _restated(
    row: tuple[str, str, float | str, str, str],
) -> tuple[str, str, float | str, str, str]:
    """Return a row in the units that are spoken of, its key with them."""
    key, label, value, unit, note = row
    if isinstance(value, str) or unit_name(unit) == unit or unit not in _ENDINGS:
        return row
    key = key.removesuffix(_LINEAR_ENDINGS[unit]) + _ENDINGS[unit]
    return key, label, float(restated(value, unit)), unit_name(unit), note


def _bus(profile: Profile) -> list[tuple[str, str, float | str, str, str]]:
    protocol = find_protocol(str(profile.drive["protocol"]))
    if not isinstance(protocol, Budgeting):
        return []
    rows: list[tuple[str, str, float | str, str, str]] = []
    for budget in protocol.budgets(drive_options(profile), 1.0 / profile.control.rate):
        where = "" if budget.key == "bus" else budget.key.replace(".", "_") + "_"
        words = f" ({budget.key})" if where else ""
        rows.append(
            (
                f"{where}bus_load_percent",
                f"Load on the wire, worst case{words}",
                100.0 * budget.share,
                "%",
                budget.what,
            )
        )
        if math.isfinite(budget.fastest_rate_hz):
            rows.append(
                (
                    f"{where}fastest_rate_Hz",
                    f"Fastest rate the wire carries{words}",
                    budget.fastest_rate_hz,
                    "Hz",
                    f"control.rate is {profile.control.rate:g} Hz",
                )
            )
    return rows
