"""Faults of building besides signs and wiring: parts, clamps, settings."""

from __future__ import annotations

import math

from drivers.simulated.injected_fault import InjectedFault

BUILDERS_FAULTS: tuple[InjectedFault, ...] = (
    # springs
    InjectedFault(
        "springs_bind",
        "the coils of the springs touch at five ninths of the stated deflection",
        "springs",
        lambda p: {"spring_solid_m": 5.0 / 9.0 * p.spring_solid_m},
    ),
    InjectedFault(
        # Where the rated force is reached before five ninths of the deflection, those cannot show.
        "springs_bind_early",
        "the coils of the springs touch at three eighths of the stated deflection",
        "springs",
        lambda p: {"spring_solid_m": 3.0 / 8.0 * p.spring_solid_m},
        "springs_bind",
    ),
    InjectedFault(
        "preload_low",
        "the springs have a third of the stated preload",
        "springs",
        lambda p: {"spring_preload_m": p.spring_preload_m / 3.0},
    ),
    InjectedFault(
        "springs_unequal",
        "the pull spring set is a quarter softer than the other",
        "springs",
        lambda p: {"spring_rate_pull_N_m": 0.75 * p.spring_rate_pull_N_m},
    ),
    InjectedFault(
        "springs_mixed",
        "a stiffer spring is in the push set: 40 % more rate",
        "springs",
        lambda p: {"spring_rate_push_N_m": 1.4 * p.spring_rate_push_N_m},
        "springs_unequal",
    ),
    InjectedFault(
        "springs_rub",
        "the springs rub on their guide: a tenth of the force is lost each way",
        "springs",
        lambda p: {"spring_hysteresis": p.spring_hysteresis + 0.1},
        "hysteresis_high",
    ),
    # supply
    InjectedFault(
        "supply_resistance_high",
        "the supply has a resistance of 1 ohm: thin wires or a worn battery",
        "supply",
        lambda p: {"supply_resistance_ohm": p.supply_resistance_ohm + 1.0},
    ),
    InjectedFault(
        "supply_high",
        "the supply has a third more than its rated voltage",
        "supply",
        lambda p: {"supply_V": 4.0 / 3.0 * p.supply_V},
    ),
    # motor and its encoder
    InjectedFault(
        "encoder_offset",
        "the drive's commutation is off by 50 degrees electrical",
        "motor",
        lambda p: {"commutation_offset_rad": p.commutation_offset_rad + math.radians(50.0)},
    ),
    InjectedFault(
        "pole_pairs_one_off",
        "the drive is set to one pole pair more than the motor has",
        "motor",
        lambda p: {"commutation_by_encoder": True, "drive_pole_pairs": p.pole_pairs + 1},
        "pole_pairs_wrong",
        kind_by_loop="first_motion_violent",
    ),
    InjectedFault(
        "current_peak_for_rms",
        "the drive treats peak current values as rms values: 1.41 times the torque",
        "motor",
        lambda p: {
            "torque_constant_N_m_A": math.sqrt(2.0) * p.torque_constant_N_m_A,
            "drive_torque_constant_N_m_A": p.stated_torque_constant_N_m_A,
        },
        "torque_constant_wrong",
    ),
    InjectedFault(
        "encoder_counts_fourfold",
        "lines were stated as counts: there are four times the counts per turn",
        "motor",
        lambda p: {"commutation_by_encoder": True, "encoder_scale": 4.0 * p.encoder_scale},
        "encoder_counts_wrong",
    ),
    InjectedFault(
        "encoder_slips",
        "the clamp of the encoder is loose: it slips on the shaft above two fifths of the rated "
        "torque",
        "motor",
        lambda p: {"encoder_slips_above_N_m": 0.4 * p.rated_torque_N_m},
    ),
    InjectedFault(
        "encoder_silent",
        "no counts come from the encoder",
        "motor",
        lambda p: {"encoder_silent": True},
    ),
    # screw
    InjectedFault(
        "lost_motion",
        "nut or coupling has 1 mm of lost motion",
        "screw",
        lambda p: {"backlash_m": p.backlash_m + 0.001},
    ),
    InjectedFault(
        "friction_high",
        "the screw has three times the stated friction",
        "screw",
        lambda p: {
            "friction_coulomb_N_m": 3.0 * p.friction_coulomb_N_m,
            "friction_breakaway_N_m": 3.0 * p.friction_breakaway_N_m,
        },
    ),
    InjectedFault(
        "screw_bent",
        "the screw is bent: it rubs once a turn",
        "screw",
        lambda p: {"screw_runout_N_m": 0.8 * p.friction_coulomb_N_m},
    ),
    InjectedFault(
        "screw_lead_next",
        "the screw has a quarter more lead than stated",
        "screw",
        lambda p: {"screw_lead_m": 1.25 * p.screw_lead_m},
        "screw_lead_wrong",
    ),
    InjectedFault(
        "stroke_long",
        "the upper end stop is missing: the travel is a tenth longer",
        "screw",
        lambda p: {"stroke_m": 1.1 * p.stroke_m},
    ),
    # deflection sensor
    InjectedFault(
        "deflection_sticks",
        "the deflection sensor sticks by 0.4 mm",
        "deflection",
        lambda p: {"sensor_hysteresis_m": p.sensor_hysteresis_m + 0.0004},
    ),
    InjectedFault(
        "deflection_drifts",
        "the deflection reading drifts away",
        "deflection",
        lambda p: {
            "sensor_drift_counts_per_s": p.sensor_drift_counts_per_s
            + 0.0015 * 2**p.sensor_bits * p.sensor_sign
        },
    ),
    InjectedFault(
        "deflection_slips",
        "the clamp of the deflection sensor is loose: it slips beyond a sixth of its span",
        "deflection",
        lambda p: {"sensor_slips_beyond_m": p.sensor_span_m / 6.0},
    ),
    InjectedFault(
        "deflection_range",
        # Of the springs, not of the span: a sensor of generous span would end beyond the rated force,
        # where no step of a bring-up goes.
        "the magnet of the deflection sensor is too short: the reading saturates at two fifths of "
        "the springs' stated deflection",
        "deflection",
        lambda p: {"sensor_range_m": 0.4 * p.spring_solid_m},
    ),
    InjectedFault(
        "deflection_zero_off",
        "the deflection sensor is mounted an eighth of its span off",
        "deflection",
        lambda p: {"sensor_zero_counts": p.sensor_zero_counts + 0.125 * 2**p.sensor_bits},
    ),
    InjectedFault(
        "deflection_missing_codes",
        "the lowest two bits of the deflection reading are dead",
        "deflection",
        lambda p: {"sensor_dead_bits": 2},
    ),
    # drive
    InjectedFault(
        "current_limited",
        "the current is limited in the drive to a third of the rated current",
        "drive",
        lambda p: {"drive_current_limit_A": p.continuous_current_A / 3.0},
    ),
    InjectedFault(
        "torque_offset",
        "the drive adds a torque offset to the commanded torque",
        "drive",
        lambda p: {"drive_torque_offset_N_m": 1.5 * p.friction_breakaway_N_m},
        "moves_uncommanded",
        sources=("torque",),  # a loop of velocity takes it up, and nothing is asked for in torque
    ),
    InjectedFault(
        "temperature_absent",
        "the temperature sensor of the drive is not connected",
        "drive",
        lambda p: {"temperature_absent": True},
    ),
    InjectedFault(
        "stop_not_wired",
        "the hard-wired stop does not disconnect the drive from its supply",
        "drive",
        lambda p: {"stop_wired": False},
    ),
    # rig
    InjectedFault(
        "guide_rubs",
        "the output rubs in its guide or pivot",
        "rig",
        lambda p: {
            "pivot_friction_N_m": p.pivot_friction_N_m + 18.0 * p.rod_arm_m,
            "guide_friction_N": p.guide_friction_N + 7.0,
        },
    ),
    InjectedFault(
        "reference_wrong",
        "the rig was at mid-stroke when the host assumed its lower end as zero",
        "rig",
        lambda p: {"initial_output_m": 0.4 * p.stroke_m},
    ),
)
