"""Faults of building a rig, each as a change of the simulated rig's parameters.

A fault acts only through the parameters it changes; nothing else in the simulated rig uses its
code. The drive commutates by its encoder in faults of encoder or phases: with rotor angle θ from
the alignment at power-up, pole pairs p, those set in the drive p', and counts s times the correct
ones (−1: backward), the torque is Kt·i·cos((p'·s − p)·θ), and with two phases swapped
−Kt·i·cos((p'·s + p)·θ) (current vector against rotor flux, from the phase geometry). A motor held
by such a field swings to the angle where its torque passes zero, and stays there.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from typing import Any

from drivers.simulated.builders_faults import BUILDERS_FAULTS
from drivers.simulated.injected_fault import InjectedFault
from drivers.simulated.parameters import RigParameters


def _motor(p: RigParameters, **more: Any) -> dict[str, Any]:
    return {"commutation_by_encoder": True, **more}


def _end_inside(p: RigParameters) -> dict[str, Any]:
    stroke = 0.7 * p.stroke_m
    return {"stroke_m": stroke, "initial_output_m": min(p.initial_output_m, 0.9 * stroke)}


def _no_way_back(p: RigParameters) -> dict[str, Any]:
    # Little capacitance and little idle load: braking raises the link voltage at once.
    return {
        "supply_takes_regeneration": False,
        "link_capacitance_F": 0.1 * p.link_capacitance_F,
        "drive_idle_W": 0.1 * p.drive_idle_W,
        "drive_overvoltage_V": min(p.drive_overvoltage_V, 1.1 * p.supply_V),
    }


def _set_in_drive(p: RigParameters) -> dict[str, Any]:
    stated = p.drive_torque_constant_N_m_A or p.torque_constant_N_m_A
    return {
        "torque_constant_N_m_A": 2.0 * p.torque_constant_N_m_A,
        "drive_torque_constant_N_m_A": stated,
    }


_ALL: Sequence[InjectedFault] = (
    InjectedFault(
        "encoder_reversed",
        "the encoder counts backward: its tracks are swapped; the drive commutates by it and "
        "turns the field backward",
        "motor",
        lambda p: _motor(p, encoder_sign=-p.encoder_sign),
    ),
    InjectedFault(
        "phases_swapped",
        "two phases of the motor are swapped",
        "motor",
        lambda p: _motor(p, phases_swapped=not p.phases_swapped),
        kind_by_loop="first_motion_violent",
    ),
    InjectedFault(
        "pole_pairs_wrong",
        "the drive is set to twice the motor's pole pairs",
        "motor",
        lambda p: _motor(p, drive_pole_pairs=2 * p.pole_pairs),
        kind_by_loop="first_motion_violent",
    ),
    InjectedFault(
        "encoder_counts_wrong",
        "the encoder gives twice the set counts per turn",
        "motor",
        lambda p: _motor(p, encoder_scale=2.0 * p.encoder_scale),
    ),
    InjectedFault(
        "torque_constant_wrong",
        "the motor produces twice the torque per ampere set in the drive",
        "motor",
        _set_in_drive,
    ),
    InjectedFault(
        "screw_lead_wrong",
        "the screw has half the stated lead",
        "screw",
        lambda p: {"screw_lead_m": 0.5 * p.screw_lead_m},
    ),
    InjectedFault(
        "screw_left_handed",
        "the screw has the opposite hand to that stated",
        "screw",
        lambda p: {"screw_hand": -p.screw_hand},
    ),
    InjectedFault(
        "screw_stiff_spot",
        "the screw is stiff at one place",
        "screw",
        lambda p: {
            "tight_spot_position_m": 0.45 * p.stroke_m,
            "tight_spot_width_m": 0.12 * p.stroke_m,
            "tight_spot_torque_N_m": 4.0 * p.friction_coulomb_N_m + 0.02,
        },
    ),
    InjectedFault("nut_jammed", "the nut is jammed", "screw", lambda p: {"nut_jammed": True}),
    InjectedFault(
        "end_stop_inside",
        "an end stop is inside the stroke: 70 % of it is left",
        "screw",
        _end_inside,
    ),
    InjectedFault(
        "deflection_reversed",
        "the deflection sensor falls when it should rise",
        "deflection",
        lambda p: {"sensor_sign": -p.sensor_sign},
    ),
    InjectedFault(
        "deflection_scale_wrong",
        "the deflection sensor shows half the deflection: its span is twice the stated one",
        "deflection",
        lambda p: {"sensor_scale": 0.5 * p.sensor_scale},
    ),
    InjectedFault(
        "deflection_noisy",
        "the deflection signal is noisy",
        "deflection",
        lambda p: {"sensor_noise_counts": p.sensor_noise_counts + 0.008 * 2**p.sensor_bits},
    ),
    InjectedFault(
        "deflection_intermittent",
        "a wire of the deflection sensor has a loose contact, worst when it is moved",
        "deflection",
        lambda p: {"sensor_loose": True},
    ),
    InjectedFault(
        "channels_swapped",
        "the deflection sensor and the spare analogue input are swapped",
        "deflection",
        lambda p: {"analogue_swapped": not p.analogue_swapped},
    ),
    InjectedFault(
        "deflection_open",
        "the deflection sensor's wiper is open: the input floats",
        "deflection",
        lambda p: {"sensor_wiring": "open"},
    ),
    InjectedFault(
        "deflection_frozen",
        "the deflection reading does not change: the sensor is not driven",
        "deflection",
        lambda p: {"sensor_wiring": "frozen"},
    ),
    InjectedFault(
        "deflection_rail",
        "the deflection reading is at its maximum: its return wire is broken",
        "deflection",
        lambda p: {"sensor_wiring": "top"},
    ),
    InjectedFault(
        "deflection_shorted",
        "the deflection signal is shorted to ground",
        "deflection",
        lambda p: {"sensor_wiring": "shorted"},
    ),
    InjectedFault(
        "springs_soft",
        "the springs are half as stiff as stated",
        "springs",
        lambda p: {
            "spring_rate_push_N_m": 0.5 * p.spring_rate_push_N_m,
            "spring_rate_pull_N_m": 0.5 * p.spring_rate_pull_N_m,
        },
    ),
    InjectedFault(
        "preload_absent",
        "the springs are not preloaded: 0.5 mm of play either way",
        "springs",
        lambda p: {"spring_preload_m": -0.0005},
    ),
    InjectedFault(
        "spring_missing",
        "the pull spring set is missing",
        "springs",
        lambda p: {"spring_rate_pull_N_m": 0.0},
    ),
    InjectedFault(
        "supply_low",
        "the supply has three quarters of its rated voltage",
        "supply",
        lambda p: {"supply_V": 0.75 * p.supply_V},
    ),
    InjectedFault(
        "regeneration_not_taken",
        "the supply cannot take power back and the drive's voltage limit is just above it",
        "supply",
        _no_way_back,
    ),
    InjectedFault(
        "heartbeat_ignored",
        "the drive continues when the host falls silent",
        "drive",
        lambda p: {"drive_watches_host": False},
    ),
    InjectedFault(
        "sample_rate_half",
        "the drive updates its values only with every second SYNC",
        "drive",
        lambda p: {"drive_refresh_every": 2 * p.drive_refresh_every},
    ),
    InjectedFault(
        "bus_lossy", "one frame in ten is lost on the bus", "bus", lambda p: {"bus_loss": 0.1}
    ),
    InjectedFault(
        "velocity_loop_slow",
        "the drive's velocity loop is tuned to a third of what is stated",
        "drive",
        lambda p: {"drive_velocity_loop_Hz": p.drive_velocity_loop_Hz / 3.0},
        kind="velocity_loop_wrong",
        sources=("velocity", "position"),
    ),
    InjectedFault(
        "velocity_loop_late",
        "the drive takes up each velocity or position 4 ms late",
        "drive",
        lambda p: {"drive_target_delay_s": p.drive_target_delay_s + 0.004},
        kind="velocity_loop_late",
        sources=("velocity", "position"),
    ),
    InjectedFault(
        "position_loop_stiff",
        "the drive's position loop has twice the gain that is stated",
        "drive",
        lambda p: {"drive_position_loop_Hz": 2.0 * p.drive_position_loop_Hz},
        kind="first_motion_violent",
        sources=("position",),
    ),
    *BUILDERS_FAULTS,
)

INJECTED_FAULTS: dict[str, InjectedFault] = {mistake.code: mistake for mistake in _ALL}


def injected_faults_of(source: str) -> tuple[str, ...]:
    """Return the codes of those that can show with a source of motion (``control.source``)."""
    return tuple(
        code
        for code, mistake in INJECTED_FAULTS.items()
        if not mistake.sources or source in mistake.sources
    )


def near_injected_faults(code: object) -> str:
    """Return the codes similar to ``code``, or where all of them are listed, as text."""
    near = difflib.get_close_matches(str(code), INJECTED_FAULTS, 3, 0.5)
    if not near:
        return "one of those that 'hookeline bringup --list' shows"
    names = [repr(name) for name in near]
    return ", ".join(names[:-1]) + " or " + names[-1] if len(names) > 1 else names[0]


def check_injected_faults(codes: Iterable[str]) -> None:
    """Raise ``ValueError`` for the first code not in ``INJECTED_FAULTS``, with similar ones."""
    for code in codes:
        if code not in INJECTED_FAULTS:
            raise ValueError(
                f"the simulated rig has no fault {code!r}; write {near_injected_faults(code)}"
            )


def with_injected_faults(parameters: RigParameters, codes: Sequence[str]) -> RigParameters:
    """Return the intended rig with these faults injected.

    Order and repetition of ``codes`` do not matter; faults already injected
    (``parameters.injected_faults``) are not injected again. Of several that set the same wire, the
    last in the catalogue applies.

    Raises:
        ValueError: a code that is not in ``INJECTED_FAULTS``.
    """
    check_injected_faults(codes)
    made = parameters
    for mistake in _ALL:
        if mistake.code in codes and mistake.code not in parameters.injected_faults:
            made = made.but(mistake.change(made))
    together = {*parameters.injected_faults, *codes}
    return made.but(
        {"injected_faults": tuple(code for code in INJECTED_FAULTS if code in together)}
    )
