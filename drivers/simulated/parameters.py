"""Parameters of one simulated rig, as plain SI numbers.

Defaults describe the footplate trainer. Positions are in the rig's own sense (rod
extension positive); the signs at the end are those of the drive and the sensor.
"""

from __future__ import annotations

import dataclasses
import json
import math
from dataclasses import dataclass
from typing import Any, Literal, get_args

from drivers.suggest import did_you_mean

RigKind = Literal["lever_sector", "lever_pin", "linear"]
OffState = Literal["open", "shorted"]
EncoderKind = Literal["incremental", "absolute"]
SensorWiring = Literal["sound", "open", "top", "shorted", "frozen"]


@dataclass(frozen=True)
class RigParameters:
    """Parameters of :class:`~drivers.simulated.physics.RigPhysics` and of the drive in it.

    Raises:
        ValueError: on construction, naming the parameter, its value and the permitted values.
    """

    # screw; an efficiency_backward of 0 or below does not back-drive
    screw_lead_m: float = 0.010
    screw_hand: float = 1.0  # +1: positive shaft angle extends the nut
    screw_efficiency_forward: float = 0.9
    screw_efficiency_backward: float = 0.8
    backlash_m: float = 0.0  # total lost motion between screw and nut

    # motor, as its equivalent direct-current machine
    torque_constant_N_m_A: float = 0.09
    winding_resistance_ohm: float = 0.3
    winding_inductance_H: float = 0.0003
    winding_resistance_per_K: float = 0.00385  # copper at 25 degC; IEC 60028, from memory
    pole_pairs: int = 7
    torque_ripple: float = 0.0  # fraction of the torque, six periods per electrical turn
    rotor_inertia_kg_m2: float = 1.2e-4  # rotor and screw together
    nut_mass_kg: float = 0.5
    peak_current_A: float = 30.0
    continuous_current_A: float = 10.0
    motor_thermal_time_constant_s: float = 60.0  # winding over housing
    housing_thermal_time_constant_s: float = 900.0  # housing over ambient
    housing_share: float = 0.4  # of motor_rise_K
    standstill_factor: float = 2.0  # loss of the hottest phase over the mean, at standstill
    motor_rise_K: float = 80.0  # winding above ambient at continuous current, settled
    ambient_degC: float = 23.0

    # friction at the motor shaft; the Stribeck speed is that of the nut
    friction_coulomb_N_m: float = 0.02
    friction_breakaway_N_m: float = 0.03
    friction_stribeck_m_s: float = 0.002
    friction_viscous_N_m_s: float = 2.0e-4
    tight_spot_position_m: float = 0.0  # of the nut
    tight_spot_width_m: float = 0.0
    tight_spot_torque_N_m: float = 0.0
    screw_runout_N_m: float = 0.0  # of a bent screw: most additional friction in a turn

    # two opposed spring sets; preload below 0 leaves a dead zone; rate 0 = set missing
    spring_rate_push_N_m: float = 60e3  # set compressed further when the rod pushes
    spring_rate_pull_N_m: float = 60e3
    spring_preload_m: float = 0.003  # compression of each set at rest (mean of the two)
    spring_solid_m: float = 0.009  # deflection at which the coils touch, either way
    spring_solid_stiffness_N_m: float = 5.0e6
    spring_damping_N_s_m: float = 60.0
    spring_hysteresis: float = 0.0  # fraction of the spring force, half the width of the loop
    spring_guide_friction_N: float = 0.0  # constant part of the same loop

    # output and its ends
    stroke_m: float = 0.055
    end_stop_stiffness_N_m: float = 5.0e6
    end_stop_damping_N_s_m: float = 8.0e3
    output_damping_N_s_m: float = 5.0  # viscous, at the rod
    initial_output_m: float = 0.0  # 0: resting on the lower end

    # moved by the rod
    rig: RigKind = "lever_sector"
    gravity_m_s2: float = 9.80665
    rod_arm_m: float = 0.060
    load_arm_m: float = 0.420
    level_position_m: float = 0.0275  # output position with the lever level
    lever_mass_kg: float = 0.6
    lever_centre_m: float = 0.2
    lever_inertia_kg_m2: float = 0.0  # about its own centre of mass
    pan_mass_kg: float = 0.3
    pivot_friction_N_m: float = 0.05
    carriage_mass_kg: float = 5.0  # linear only
    linear_vertical: bool = True
    guide_friction_N: float = 0.0  # linear only
    initial_hung_mass_kg: float = 0.0

    # supply of the drive
    supply_V: float = 36.0
    supply_resistance_ohm: float = 0.05
    link_capacitance_F: float = 0.002
    supply_takes_regeneration: bool = True
    drive_idle_W: float = 2.0
    supply_current_reported: bool = False  # by the drive; its meter's errors:
    supply_current_gain: float = 1.0
    supply_current_offset_A: float = 0.0

    # drive firmware
    off_state: OffState = "open"  # windings while the power stage is off
    current_loop_time_constant_s: float = 0.00025
    rated_torque_N_m: float = 0.9  # torque on the wire is per mille of this
    drive_max_torque_N_m: float = 2.7
    drive_overspeed_rad_s: float = 700.0
    drive_overcurrent_A: float = 45.0  # a fault; the current loop is clamped below
    drive_overvoltage_V: float = 56.0
    drive_undervoltage_V: float = 20.0
    drive_overtemperature_degC: float = 90.0
    drive_rise_K: float = 30.0  # drive above ambient at continuous current, settled
    drive_thermal_time_constant_s: float = 120.0
    drive_host_loss_s: float = 0.05
    drive_switch_on_s: float = 0.01
    drive_quick_stop_rad_s2: float = 3000.0
    drive_velocity_loop_Hz: float = 40.0
    drive_velocity_integral_share: float = 0.2  # of the loop's crossover in rad/s
    drive_position_loop_Hz: float = 8.0
    drive_target_delay_s: float = 0.0  # until a velocity or position is taken up
    drive_interpolation_s: float = 0.001  # from one position to the next (0x60C2 of CiA 402)
    drive_velocity_filter_s: float = 0.0005
    drive_polarity: float = 1.0  # -1: angle, speed and torque all have the opposite sign

    # motor sensor; encoder_sign -1 is a wiring fault: counts against the torque
    encoder_counts_per_revolution: int = 4096
    encoder_sign: float = 1.0
    encoder: EncoderKind = "incremental"
    encoder_zero_m: float = 0.0  # nut position at zero counts, absolute only

    # deflection sensor; counts = zero + sign·scale·deflection·2^bits/span
    sensor_bits: int = 12
    sensor_span_m: float = 0.015
    sensor_zero_counts: float = 2048.0
    sensor_sign: float = 1.0
    sensor_scale: float = 1.0
    sensor_noise_counts: float = 0.6  # standard deviation
    sensor_drift_counts_per_s: float = 0.0
    sensor_hysteresis_m: float = 0.0  # full width of the loop

    # possible faults of building; see drivers.simulated.injected_faults
    encoder_scale: float = 1.0  # true over stated counts per turn
    commutation_by_encoder: bool = False  # else by the motor's own sensor, always right
    phases_swapped: bool = False
    drive_pole_pairs: int = 0  # as set in the drive; 0: those of the motor
    drive_torque_constant_N_m_A: float = 0.0  # as set in the drive; 0: that of the motor
    drive_watches_host: bool = True
    drive_refresh_every: int = 1  # SYNC messages per new set of values
    bus_loss: float = 0.0  # share of cyclic frames that never arrive, each way
    sensor_wiring: SensorWiring = "sound"
    sensor_loose: bool = False  # its connection opens for moments, mostly when moved
    analogue_swapped: bool = False  # the spare input is read instead of the sensor's
    nut_jammed: bool = False
    commutation_offset_rad: float = 0.0  # electrical: torque is reduced by its cosine
    encoder_silent: bool = False
    encoder_slips_above_N_m: float = 0.0  # of motor torque, with a loose clamp; 0: it holds
    sensor_slips_beyond_m: float = 0.0  # of deflection, with a loose clamp; 0: it holds
    sensor_range_m: float = 0.0  # largest deflection that it reads, either way; 0: any
    sensor_dead_bits: int = 0  # lowest bits of its converter that stay 0
    temperature_absent: bool = False  # of the drive: an open sensor reads its minimum
    drive_current_limit_A: float = 0.0  # set in the drive and not reported; 0: none
    drive_torque_offset_N_m: float = 0.0  # added by the drive to each commanded torque
    home_input: int = -1  # bit of the digital inputs for a home switch; -1: none
    home_position_m: float = 0.0  # of the output; it acts from there to one end
    home_upper: bool = False  # to the upper end
    home_active_low: bool = False
    stop_wired: bool = True  # the hard-wired stop disconnects the power stage from its supply
    injected_faults: tuple[str, ...] = ()  # for the record; their effect is in the values above

    def __post_init__(self) -> None:
        for field in dataclasses.fields(self):
            _check_type(field.name, str(field.type), getattr(self, field.name))
        self._check_signs()
        self._check_ranges()
        self._check_lever()

    def _check_signs(self) -> None:
        for name in _POSITIVE:
            if getattr(self, name) <= 0:
                raise ValueError(f"{name} = {getattr(self, name)}: must be above 0")
        for name in _NOT_NEGATIVE:
            if getattr(self, name) < 0:
                raise ValueError(f"{name} = {getattr(self, name)}: must not be below 0")
        for name in _SIGNS:
            if getattr(self, name) not in (-1, 1):
                raise ValueError(f"{name} = {getattr(self, name)}: must be 1 or -1")

    def _check_ranges(self) -> None:
        if not 0 < self.screw_efficiency_forward <= 1:
            raise ValueError(
                f"screw_efficiency_forward = {self.screw_efficiency_forward}: "
                "must be above 0 and at most 1"
            )
        if self.screw_efficiency_backward > 1:
            raise ValueError(
                f"screw_efficiency_backward = {self.screw_efficiency_backward}: "
                "must be at most 1 (0 or below: does not back-drive)"
            )
        if not 0 <= self.bus_loss < 1:
            raise ValueError(f"bus_loss = {self.bus_loss}: must be at least 0 and below 1")
        if not 1 <= self.sensor_bits <= 32:
            raise ValueError(f"sensor_bits = {self.sensor_bits}: must be 1 to 32")
        if not 1.0 <= self.standstill_factor <= 2.0:
            raise ValueError(f"standstill_factor = {self.standstill_factor}: must be 1 to 2")

    def _check_lever(self) -> None:
        inertia = (
            self.lever_inertia_kg_m2
            + self.lever_mass_kg * self.lever_centre_m**2
            + self.pan_mass_kg * self.load_arm_m**2
        )
        if self.rig != "linear" and inertia <= 0:
            raise ValueError(
                "lever_mass_kg, lever_inertia_kg_m2 and pan_mass_kg are all 0: "
                "the lever needs some inertia without weights"
            )
        if self.rig == "lever_pin":
            far = max(self.level_position_m, self.stroke_m - self.level_position_m)
            if far >= 0.95 * self.rod_arm_m:
                raise ValueError(
                    f"level_position_m = {self.level_position_m}: an end of the stroke lies "
                    f"{far} m from level, near the dead centre of a pinned rod_arm_m = "
                    f"{self.rod_arm_m}; shorten stroke_m or lengthen rod_arm_m"
                )

    @property
    def stated_torque_constant_N_m_A(self) -> float:
        """Torque constant by which the drive converts torque to current and back."""
        return self.drive_torque_constant_N_m_A or self.torque_constant_N_m_A

    def to_json(self) -> str:
        """Return one JSON object with every parameter."""
        return json.dumps(dataclasses.asdict(self), allow_nan=False)

    @classmethod
    def from_json(cls, text: str) -> RigParameters:
        """Return parameters from a JSON object; absent ones keep their default.

        Raises:
            ValueError: not a JSON object, an unknown parameter, or an impossible value.
        """
        try:
            values = json.loads(text)
        except json.JSONDecodeError as error:
            raise ValueError(f"rig parameters are not JSON: {error}") from None
        if not isinstance(values, dict):
            raise ValueError("rig parameters must be one JSON object of name: value")
        return cls.from_mapping(values)

    @classmethod
    def from_mapping(cls, values: dict[str, Any]) -> RigParameters:
        """Return parameters by name. Raises ``ValueError`` as :meth:`from_json`."""
        return cls().but(values)

    def but(self, values: dict[str, Any]) -> RigParameters:
        """Return a copy with ``values`` replaced. Raises ``ValueError``."""
        names = [field.name for field in dataclasses.fields(self)]
        for name in values:
            if name not in names:
                hint = did_you_mean(name, names, "; ")
                raise ValueError(f"the simulated rig has no parameter '{name}'{hint}")
        if isinstance(values.get("injected_faults"), list):  # JSON has no tuple
            values = {**values, "injected_faults": tuple(values["injected_faults"])}
        return dataclasses.replace(self, **values)


_CHOICES: dict[str, tuple[str, ...]] = {
    "RigKind": get_args(RigKind),
    "OffState": get_args(OffState),
    "EncoderKind": get_args(EncoderKind),
    "SensorWiring": get_args(SensorWiring),
}
_SIGNS = ("screw_hand", "drive_polarity", "encoder_sign", "sensor_sign")
_POSITIVE = (
    "screw_lead_m",
    "torque_constant_N_m_A",
    "winding_resistance_ohm",
    "winding_inductance_H",
    "pole_pairs",
    "rotor_inertia_kg_m2",
    "peak_current_A",
    "continuous_current_A",
    "motor_thermal_time_constant_s",
    "housing_thermal_time_constant_s",
    "friction_stribeck_m_s",
    "spring_solid_m",
    "spring_solid_stiffness_N_m",
    "stroke_m",
    "end_stop_stiffness_N_m",
    "rod_arm_m",
    "load_arm_m",
    "carriage_mass_kg",
    "supply_V",
    "link_capacitance_F",
    "current_loop_time_constant_s",
    "rated_torque_N_m",
    "drive_max_torque_N_m",
    "drive_overspeed_rad_s",
    "drive_overcurrent_A",
    "drive_overvoltage_V",
    "drive_thermal_time_constant_s",
    "drive_host_loss_s",
    "drive_quick_stop_rad_s2",
    "drive_velocity_loop_Hz",
    "drive_position_loop_Hz",
    "encoder_counts_per_revolution",
    "sensor_span_m",
    "sensor_scale",
    "encoder_scale",
    "drive_refresh_every",
)
_NOT_NEGATIVE = (
    "drive_velocity_integral_share",
    "drive_target_delay_s",
    "backlash_m",
    "winding_resistance_per_K",
    "torque_ripple",
    "nut_mass_kg",
    "motor_rise_K",
    "friction_coulomb_N_m",
    "friction_breakaway_N_m",
    "friction_viscous_N_m_s",
    "tight_spot_width_m",
    "tight_spot_torque_N_m",
    "screw_runout_N_m",
    "spring_rate_push_N_m",
    "spring_rate_pull_N_m",
    "spring_damping_N_s_m",
    "spring_hysteresis",
    "spring_guide_friction_N",
    "end_stop_damping_N_s_m",
    "output_damping_N_s_m",
    "gravity_m_s2",
    "lever_mass_kg",
    "lever_centre_m",
    "lever_inertia_kg_m2",
    "pan_mass_kg",
    "pivot_friction_N_m",
    "guide_friction_N",
    "initial_hung_mass_kg",
    "supply_resistance_ohm",
    "drive_idle_W",
    "drive_undervoltage_V",
    "drive_rise_K",
    "drive_switch_on_s",
    "drive_velocity_filter_s",
    "sensor_noise_counts",
    "sensor_hysteresis_m",
    "drive_pole_pairs",
    "drive_torque_constant_N_m_A",
    "encoder_slips_above_N_m",
    "sensor_slips_beyond_m",
    "sensor_range_m",
    "sensor_dead_bits",
    "drive_current_limit_A",
)


def _check_type(name: str, kind: str, value: object) -> None:
    if kind in _CHOICES:
        if value not in _CHOICES[kind]:
            raise ValueError(f"{name} = {value!r}: must be {' or '.join(_CHOICES[kind])}")
    elif kind.startswith("tuple"):
        if not isinstance(value, tuple) or not all(isinstance(part, str) for part in value):
            raise ValueError(f"{name} = {value!r}: must be a list of names")
    elif kind == "bool":
        if not isinstance(value, bool):
            raise ValueError(f"{name} = {value!r}: must be true or false")
    elif isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{name} = {value!r}: must be a number in SI units")
    elif not math.isfinite(value):
        raise ValueError(f"{name} = {value!r}: must be a finite number")
    elif kind == "int" and value != int(value):
        raise ValueError(f"{name} = {value!r}: must be an integer")
