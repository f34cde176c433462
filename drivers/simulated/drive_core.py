"""The simulated drive behind any wire protocol: power stage, loops, sensors, own faults."""

from __future__ import annotations

import math
import random
from typing import Final

from drivers.base import Mode, PowerRequest, PowerStage
from drivers.simulated.drive_faults import (
    HOST_LOST,
    OVERCURRENT,
    OVERSPEED,
    OVERTEMPERATURE,
    OVERVOLTAGE,
    UNDERVOLTAGE,
)
from drivers.simulated.encoder_mount import EncoderMount
from drivers.simulated.environment import Environment
from drivers.simulated.faulty_wiring import FaultyWiring
from drivers.simulated.loop_targets import LoopTargets
from drivers.simulated.parameters import RigParameters
from drivers.simulated.physics import RigPhysics, Winding
from drivers.simulated.sensor_mount import SensorMount

FIRMWARE_TICK_S: Final = 250e-6  # speed and position loops
QUICK_STOP_LONGEST_S: Final = 1.0
STANDSTILL_RAD_S: Final = 1.0
SPARE_SHARE: Final = 0.3  # of the range: level of the spare analogue input
SPARE_NOISE_COUNTS: Final = 0.7
OPEN_SENSOR_degC: Final = -40.0  # end of the drive's table of its sensor; invented

_ENERGISED: Final = (PowerStage.CHANGING, PowerStage.ON, PowerStage.QUICK_STOP)


class SimulatedDriveCore:
    """Rig and drive as one object for any wire protocol.

    All read-outs are those of the drive's firmware, in SI units and in the wire's sense
    (``drive_polarity`` and ``encoder_sign`` applied); they hold at the end of the latest
    ``advance``.

    A fault removes power and is cleared only by CLEAR_FAULT, to OFF. After any loss of power ON is
    obeyed only after OFF or CLEAR_FAULT, so that a continuing request never energises the drive
    again.

    Attributes:
        physics: the true rig. environment: weights, hand, disturbances.
        power, fault_code, mode: state of the firmware. restarts: number of restarts of its logic.
        position_counts: encoder counts. deflection_counts: as converted.
        velocity_rad_s, torque_N_m, supply_V, temperature_degC: measured by the drive.
        peak_spring_force_N, peak_driven_force_N, peak_speed_m_s, peak_end_speed_m_s: true
            largest values since ``reset_peaks``; see ``RigState``.
    """

    def __init__(self, parameters: RigParameters, seed: int = 1) -> None:
        p = parameters
        self.parameters = p
        self.physics = RigPhysics(p)
        self.environment = Environment(
            self.physics, self.fault, self.restart, lambda: self.power in _ENERGISED
        )
        self._faults = self.environment.disturbances
        self._random = random.Random(seed)
        self._spare_chance = random.Random(f"spare {seed}")
        faulty = p.sensor_wiring != "sound" or p.sensor_loose or p.analogue_swapped
        self._wiring = FaultyWiring(p, seed) if faulty else None
        self.power = PowerStage.OFF
        self.fault_code = 0
        self.mode = Mode.TORQUE
        self.restarts = 0
        self.position_counts = 0
        self.velocity_rad_s = 0.0
        self.torque_N_m = 0.0
        self.supply_V = p.supply_V
        self.supply_A = 0.0  # with the errors of the drive's own meter
        self._drawn_C = 0.0
        self.temperature_degC = p.ambient_degC
        self.deflection_counts = 0
        self._armed = True
        self._changing_left_s = 0.0
        self._quick_stop_s = 0.0
        self._torque_target = 0.0
        self._targets = LoopTargets(p.drive_target_delay_s, p.drive_interpolation_s)
        self._integral_N_m = 0.0
        self._setpoint_A = 0.0
        self._off_winding = Winding.SHORTED if p.off_state == "shorted" else Winding.OPEN
        self._sensor = SensorMount(p, self.physics.deflection_m)
        self._encoder = EncoderMount(p)
        self._dead_bits = (1 << p.sensor_dead_bits) - 1
        self._top_count = (1 << int(p.sensor_bits)) - 1
        self._counts_per_m = (
            p.sensor_sign * p.sensor_scale * (self._top_count + 1) / p.sensor_span_m
        )
        self._spare_level = SPARE_SHARE * self._top_count
        self._swapped_counts = 0
        self._torque_constant = p.stated_torque_constant_N_m_A
        self._most_A = min(p.peak_current_A, p.drive_current_limit_A or math.inf)
        self._forward = p.drive_polarity * p.encoder_scale
        self._counts_per_rad = p.encoder_counts_per_revolution / (2 * math.pi)
        self._zero_rad = 0.0
        inertia = self.physics.nut_mass_kg * self.physics.metres_per_radian**2
        bandwidth = 2 * math.pi * p.drive_velocity_loop_Hz
        self._speed_gain = inertia * bandwidth
        self._speed_integral_gain = self._speed_gain * bandwidth * p.drive_velocity_integral_share
        self._position_gain = 2 * math.pi * p.drive_position_loop_Hz
        self._find_zero()
        self._measure(0.0)

    @property
    def spare_counts(self) -> int:
        """Reading of the second analogue input, which should be unconnected."""
        if self.parameters.analogue_swapped:
            return self._swapped_counts
        return self._read_spare()

    @property
    def digital_inputs(self) -> int:
        """Bits of the digital inputs, -1 without any; only a home switch is wired to them."""
        p = self.parameters
        if p.home_input < 0:
            return -1
        at_m = self.physics.output_position_m
        acts = at_m >= p.home_position_m if p.home_upper else at_m <= p.home_position_m
        acts = acts and not self._faults["home_switch_dead"]
        inverted = bool(self._faults["home_switch_inverted"]) != p.home_active_low
        return int(acts != inverted) << p.home_input

    @property
    def peak_spring_force_N(self) -> float:
        return self.physics.peak_spring_force_N

    @property
    def peak_driven_force_N(self) -> float:
        return self.physics.peak_driven_force_N

    @property
    def peak_speed_m_s(self) -> float:
        return self.physics.peak_speed_m_s

    @property
    def peak_end_speed_m_s(self) -> float:
        return self.physics.peak_end_speed_m_s

    def reset_peaks(self) -> None:
        """Forget the largest force and speeds so far."""
        self.physics.reset_peaks()

    # -- requests from the wire -------------------------------------------------------------

    def request_power(self, request: PowerRequest) -> None:
        """Request a state of the power stage; may be repeated every cycle."""
        stage = self.power
        if request is PowerRequest.OFF:
            stuck = self._faults["power_stays_on"] or self._faults["comes_on_by_itself"]
            if stage in _ENERGISED and not stuck:
                self._switch_off(PowerStage.OFF)
            self._armed = True
        elif request is PowerRequest.ON:
            if stage is PowerStage.OFF and self._armed:
                self._armed = False
                self.power = PowerStage.CHANGING
                self._changing_left_s = self.parameters.drive_switch_on_s
                self._torque_target = self._targets.velocity_rad_s = 0.0
                self._stay()
        elif request is PowerRequest.QUICK_STOP:
            if stage is PowerStage.ON:
                self.power = PowerStage.QUICK_STOP
                self._quick_stop_s = 0.0
                self._targets.velocity_rad_s = self.velocity_rad_s
                self._integral_N_m = self.torque_N_m
            elif stage is PowerStage.CHANGING:
                self._switch_off(PowerStage.OFF)
        elif request is PowerRequest.CLEAR_FAULT and stage is PowerStage.FAULT:
            self.fault_code = 0
            self.power = PowerStage.OFF
            self._armed = True

    def set_target(self, mode: Mode, value: float) -> None:
        """Set the target of ``mode`` (N·m, rad/s or rad), which becomes the active mode.

        Ignored during a quick stop.

        Raises:
            ValueError: the value is not finite.
        """
        if not math.isfinite(value):
            raise ValueError(f"target {value} of mode {mode.name} is not a finite number")
        if self.power is PowerStage.QUICK_STOP:
            return
        if mode is not self.mode:
            # Bumpless: the speed loop continues from the present torque.
            self._integral_N_m = self.torque_N_m
            self.mode = Mode(mode)
            self._stay()
        if mode is Mode.TORQUE:
            self._torque_target = value
        else:
            self._targets.set(mode, value)

    def add_torque(self, offset_N_m: float) -> None:
        """Add a torque to that of the speed or position loop, until the next one or the end of power.

        Raises:
            ValueError: it is not finite.
        """
        if not math.isfinite(offset_N_m):
            raise ValueError(f"torque offset {offset_N_m} is not a finite number")
        if self.power is PowerStage.ON and self.mode is not Mode.TORQUE:
            self._targets.set(Mode.TORQUE, offset_N_m)

    def host_lost(self) -> None:
        """React to a silent host: an energised drive faults, one that is off does not.

        A drive that does not watch its host (``drive_watches_host``) continues.
        """
        watches = self.parameters.drive_watches_host and self._faults["power_stays_on"] < 2.0
        if self.power in _ENERGISED and watches:
            self.fault(HOST_LOST)

    def fault(self, code: int) -> None:
        """Report ``code`` and remove power. The first fault stays until cleared."""
        if self.power is not PowerStage.FAULT:
            self.fault_code = code
            self._switch_off(PowerStage.FAULT)

    def restart(self) -> None:
        """Restart the logic, as after a loss of its supply: off, counts from 0."""
        self._switch_off(PowerStage.OFF)
        self._armed = True
        self.fault_code = 0
        self.mode = Mode.TORQUE
        self.restarts += 1
        self.physics.align()
        self._find_zero()
        self._measure(0.0)

    # -- time --------------------------------------------------------------------------

    def advance(self, dt_s: float) -> None:
        """Advance by ``dt_s``: firmware, physics, then one reading of every sensor.

        Raises:
            ValueError: ``dt_s`` is negative or not finite.
        """
        if not 0.0 <= dt_s < math.inf:
            raise ValueError(f"dt_s = {dt_s}: must be finite and not below 0")
        if self._faults["comes_on_by_itself"] and self.power is PowerStage.OFF:
            self.power = PowerStage.ON
        stage = self.power
        if stage is PowerStage.ON and self.mode is Mode.TORQUE:
            self._ask(self._torque_target)
            self.physics.advance(dt_s, self._setpoint_A, Winding.DRIVEN)
        elif stage is PowerStage.ON or stage is PowerStage.QUICK_STOP:
            count = max(1, math.ceil(dt_s / FIRMWARE_TICK_S - 1e-9))
            for _ in range(count):
                self._tick(dt_s / count)
        else:
            self.physics.advance(dt_s, 0.0, self._off_winding)
        self._measure(dt_s)
        if stage is PowerStage.CHANGING and self.power is PowerStage.CHANGING:
            self._changing_left_s -= dt_s
            if self._changing_left_s <= 0.0:
                self.power = PowerStage.ON
        self._guard()

    def _tick(self, dt_s: float) -> None:
        """Run one step of the speed and position loops, then of the physics."""
        targets = self._targets
        targets.tick(dt_s)
        position = self._position_rad()
        speed = self._speed_rad_s()
        if self.power is PowerStage.QUICK_STOP:
            step = self.parameters.drive_quick_stop_rad_s2 * dt_s
            targets.torque_N_m = 0.0
            targets.velocity_rad_s -= min(max(targets.velocity_rad_s, -step), step)
            self._quick_stop_s += dt_s
            slow = abs(speed) < STANDSTILL_RAD_S and targets.velocity_rad_s == 0.0
            if slow or self._quick_stop_s > QUICK_STOP_LONGEST_S:
                self._switch_off(PowerStage.OFF)
                self.physics.advance(dt_s, 0.0, self._off_winding)
                return
            wanted = targets.velocity_rad_s
        elif self.mode is Mode.VELOCITY:
            wanted = targets.velocity_rad_s
        else:
            wanted = self._position_gain * (targets.position(dt_s) - position)
        error = wanted - speed
        torque = self._speed_gain * error + self._integral_N_m + targets.torque_N_m
        if self._ask(torque):
            self._integral_N_m += self._speed_integral_gain * error * dt_s
        self.physics.advance(dt_s, self._setpoint_A, Winding.DRIVEN)

    def _stay(self) -> None:
        """Hold the motor at its position until the next target."""
        self._targets.stay(self._position_rad())

    def _ask(self, torque_N_m: float) -> bool:
        """Convert a torque in the wire's sense to a current; return False if it was limited."""
        p = self.parameters
        most = min(p.drive_max_torque_N_m, self._most_A * self._torque_constant)
        limited = min(max(torque_N_m, -most), most)
        given = limited + p.drive_torque_offset_N_m
        self._setpoint_A = p.drive_polarity * given / self._torque_constant
        return limited == torque_N_m

    def _switch_off(self, stage: PowerStage) -> None:
        self.power = stage
        self._torque_target = self._targets.velocity_rad_s = self._targets.torque_N_m = 0.0
        self._integral_N_m = self._setpoint_A = 0.0

    # -- sensors -----------------------------------------------------------------------

    def _sense(self) -> float:
        backward = (self.parameters.encoder_sign < 0) != bool(self._faults["encoder_reversed"])
        return -self._forward if backward else self._forward

    def _find_zero(self) -> None:
        p = self.parameters
        if p.encoder == "absolute":
            self._zero_rad = p.encoder_zero_m / self.physics.metres_per_radian
        else:
            self._zero_rad = self.physics.shaft_angle_rad

    def _position_rad(self) -> float:
        if self._faults["encoder_frozen"] or self._encoder.silent:
            return (self.position_counts + 0.5) / self._counts_per_rad
        angle = self.physics.shaft_angle_rad + self._encoder.slipped_rad
        return self._sense() * (angle - self._zero_rad)

    def _speed_rad_s(self) -> float:
        if self._faults["encoder_frozen"] or self._encoder.silent:
            return 0.0
        return self._sense() * self.physics.shaft_speed_rad_s

    def _measure(self, dt_s: float) -> None:
        p = self.parameters
        physics = self.physics
        faults = self._faults
        self._encoder.load(self._torque_constant * physics.current_A, dt_s)
        self._encoder.turn(physics.shaft_angle_rad, faults["encoder_slipping"])
        self.position_counts = math.floor(self._position_rad() * self._counts_per_rad)
        part = -math.expm1(-dt_s / p.drive_velocity_filter_s) if p.drive_velocity_filter_s else 1.0
        self.velocity_rad_s += part * (self._speed_rad_s() - self.velocity_rad_s)
        self.torque_N_m = p.drive_polarity * self._torque_constant * physics.current_A
        self.supply_V = physics.link_V
        drawn = physics.drawn_C
        if dt_s > 0.0:
            mean_A = (drawn - self._drawn_C) / dt_s
            self.supply_A = p.supply_current_gain * mean_A + p.supply_current_offset_A
            self._drawn_C = drawn
        held = faults["temperature_degC"]
        warm = OPEN_SENSOR_degC if p.temperature_absent else p.ambient_degC + physics.drive_rise_K
        self.temperature_degC = held if held == held else warm
        self._measure_deflection()
        if self._wiring is not None:
            self.deflection_counts = self._wiring.read(
                self.deflection_counts, dt_s, physics.nut_velocity_m_s, self.environment.wiggled
            )
            if p.analogue_swapped:
                self._swapped_counts = self.deflection_counts
                self.deflection_counts = self._read_spare()

    def _read_spare(self) -> int:
        reading = self._spare_level + self._spare_chance.gauss(0.0, SPARE_NOISE_COUNTS)
        return min(max(round(reading), 0), self._top_count)

    def _measure_deflection(self) -> None:
        p = self.parameters
        faults = self._faults
        seen_m = self._sensor.follow(self.physics.deflection_m)
        noise = p.sensor_noise_counts + faults["deflection_noise_counts"]
        reading = (
            p.sensor_zero_counts
            + self._counts_per_m * faults["deflection_factor"] * seen_m
            + p.sensor_drift_counts_per_s * self.physics.time_s
            + faults["deflection_jump_counts"]
        )
        if noise > 0.0:
            reading += self._random.gauss(0.0, noise)
        if faults["deflection_frozen"]:
            return
        if faults["deflection_rail"]:
            reading = self._top_count if faults["deflection_rail"] > 0 else 0.0
        elif faults["deflection_dropout"] and self._random.random() < faults["deflection_dropout"]:
            reading = 0.0
        counts = min(max(math.floor(reading + 0.5), 0), self._top_count)
        self.deflection_counts = counts & ~self._dead_bits

    def _guard(self) -> None:
        """Check the firmware's own limits, each a fault."""
        p = self.parameters
        if self.power is PowerStage.FAULT:
            return
        if self.supply_V > p.drive_overvoltage_V:
            self.fault(OVERVOLTAGE)
        elif self.temperature_degC > p.drive_overtemperature_degC:
            self.fault(OVERTEMPERATURE)
        elif self.power in _ENERGISED:
            if self.supply_V < p.drive_undervoltage_V or self.environment.stop_pressed:
                self.fault(UNDERVOLTAGE)
            elif abs(self.physics.current_A) > p.drive_overcurrent_A:
                self.fault(OVERCURRENT)
            elif abs(self.velocity_rad_s) > p.drive_overspeed_rad_s:
                self.fault(OVERSPEED)
