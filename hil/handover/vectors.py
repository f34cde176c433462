"""Test vectors: inputs and outputs of the bench in a lockstep session on the simulated rig."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.simulated import Lateness
from hil.bench import Bench, LockstepBench
from hil.control import OpenLoop, passive_bounds
from hil.core import (
    Apply,
    Behaviour,
    ConstantForce,
    HoldPosition,
    PowerOff,
    PowerOn,
    State,
    VirtualSpring,
)
from hil.handover.law import FROM_FORCE, FROM_REST, Law
from hil.profile import Profile, holding_force

NAN = math.nan
MOST_SKEW_PERIODS = 0.5  # as hil.bench.cycle
POWERED = (State.STANDBY, State.RUNNING)
REFERENCE = 3  # in column ``begin``: Law.reference, before the cycle
# Cycles that come late, and samples taken at an unknown moment: the estimator's other branches.
LATE = Lateness(share=0.2, up_to_s=0.004, stale_share=0.4, device_share=0.3)
# A drive that goes to each position jerks at a late one, until the spring law's own watch, which stays
# with the bench, ends a session with more of them.
LATE_BY_LOOP = Lateness(share=0.05, up_to_s=0.003, stale_share=0.4, device_share=0.3)
LOST = 0.03  # of the samples: the controller then predicts for their age


class LawInputs(NamedTuple):
    """Inputs of the law in one cycle, in SI units."""

    begin: float  # 0, FROM_REST, FROM_FORCE, or REFERENCE
    nut_position_m: float
    deflection_counts: float
    motor_torque_N_m: float
    sample_dt_s: float
    sample_error_s: float
    skew_s: float
    supply_V: float
    powered: float
    closed: float  # 1: act, 0: rest
    setpoint_N: float
    potential_N: float
    stiffness_N_m: float
    damping_N_s_m: float
    drive_temperature_degC: float
    dt_s: float
    late_s: float


class LawOutputs(NamedTuple):
    """Outputs of the law in one cycle, in SI units."""

    output_position_m: float
    output_velocity_m_s: float
    nut_velocity_m_s: float
    deflection_rate_m_s: float
    motor_force_N: float
    motor_heat: float
    deflection_m: float
    spring_force_N: float
    force_u95_N: float
    shaped_force_N: float
    torque_N_m: float  # nut velocity in m/s where the drive takes velocity or position
    limited: float
    tripped: float


INPUTS, OUTPUTS = LawInputs._fields, LawOutputs._fields
EFFORT = "torque_N_m"


def outputs_of(by_velocity: bool) -> tuple[str, ...]:
    """Return the names of the outputs of a law, by what its drive takes."""
    if not by_velocity:
        return OUTPUTS
    return tuple("velocity_m_s" if name == EFFORT else name for name in OUTPUTS)


@dataclass(frozen=True)
class Vectors:
    """Inputs and expected outputs, one row a cycle, in the order of ``INPUTS`` and ``OUTPUTS``."""

    inputs: NDArray[np.float64]
    outputs: NDArray[np.float64]
    by_velocity: bool = False

    def csv(self) -> str:
        """Return both as text; every number reads back exactly."""
        lines = [",".join((*INPUTS, *outputs_of(self.by_velocity)))]
        for row in np.hstack([self.inputs, self.outputs]):
            lines.append(",".join("nan" if x != x else repr(float(x)) for x in row))
        return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class Act:
    """Input at a time in s: a request to the bench, or force and frequency of a hand."""

    at_s: float
    behaviour: Behaviour | None = None
    power: bool | None = None
    push: tuple[float, float] | None = None


def session(profile: Profile) -> tuple[float, float, list[Act]]:
    """Return (weight in kg, length in s, acts) that fit a rig: hold, force, springs, float."""
    weight = min(profile.rig.weights, default=0.0)
    load = holding_force(profile, weight)
    middle = 0.5 * (profile.limits.travel.lower + profile.limits.travel.upper)
    stiffness = 0.4 * passive_bounds(profile)[0]
    damping = 0.5 * profile.limits.damping
    force = 0.02 * profile.limits.force.limited  # of a hand at the load point
    spring = VirtualSpring(
        rest_m=middle, stiffness_N_m=stiffness, damping_N_s_m=damping, bias_N=load
    )
    return (
        weight,
        1.6,
        [
            Act(0.05, power=True),
            Act(0.10, HoldPosition(position_m=0.6 * middle, speed_m_s=0.05)),
            Act(0.60, ConstantForce(force_N=load, damping_N_s_m=damping)),
            Act(0.70, push=(force, 2.0)),
            Act(0.90, spring),
            Act(1.20, ConstantForce(force_N=1.1 * load + force, damping_N_s_m=damping)),
            Act(1.35, spring.model_copy(update={"stiffness_N_m": 2 * stiffness})),
            Act(1.50, push=(0.0, 0.0)),
            Act(1.55, power=False),
        ],
    )


def record(profile: Profile, late: bool = False, seed: int = 1) -> Vectors:
    """Return the vectors of one session.

    Args:
        late: cycles come late and samples are old.

    Raises:
        ValueError: the bench refused a request; the text says which and why.
    """
    by_loop = profile.control.source != "torque"
    lateness = LATE_BY_LOOP if by_loop else LATE
    bench = LockstepBench(profile, seed, lateness if late else None)
    weight, length, acts = session(profile)
    bench.environment.hang(weight)
    if late:
        bench.environment.disturb("samples_lost", LOST)
    rows = list(_rows(bench, length, acts))
    table = np.array(rows, dtype=float)
    outputs = table[:, len(INPUTS) :]
    return Vectors(table[:, : len(INPUTS)], outputs, bench.bench.by_velocity)


class Cycled(Protocol):
    """A bench and its period: in lockstep, or replayed."""

    bench: Bench
    period_s: float


class CycleInputs:
    """Inputs of the law, gathered from a bench after each of its cycles.

    Args:
        cycled: the bench, not yet stepped.
    """

    def __init__(self, cycled: Cycled) -> None:
        self._cycled = cycled
        self._sampled_s, self._woke_s = NAN, 0.0
        self._referenced = self._was_closed = False
        self._last: object = None

    def gather(self, powered: bool, dt_s: float | None = None) -> LawInputs:
        """Return the inputs of the cycle just run.

        Args:
            powered: state of the power stage before the cycle.
            dt_s: time step of this cycle; None: from the time of its sample and the one before.
        """
        bench, period_s = self._cycled.bench, self._cycled.period_s
        row = bench.row
        telemetry = bench._telemetry
        dt = telemetry.time_s - self._sampled_s
        if dt != 0.0:
            self._sampled_s = telemetry.time_s
            dt = dt if dt > 0.0 else period_s
        skew = telemetry.time_s - telemetry.deflection_time_s
        few = MOST_SKEW_PERIODS * period_s
        if telemetry.deflection_time_s <= 0.0 or abs(skew) < few:
            skew = 0.0
        fresh = telemetry.age_s <= bench.profile.limits.telemetry_age
        if dt_s is None:
            now = row.time_s
            dt_s = period_s * max(1, round((now - self._woke_s) / period_s))
            self._woke_s = now
            dt_s = dt_s if bench.cycle > 1 else period_s
        active = bench._active
        closed = bench.state is State.RUNNING and active is not None
        closed = closed and not isinstance(active, OpenLoop)
        setpoint = potential = stiffness = NAN
        damping = 0.0
        if closed and active is not None and not isinstance(active, OpenLoop):
            estimator = bench.estimator
            setpoint = row.setpoint_force_N + bench.tare_N
            potential = bench.tare_N + active.potential_force(
                estimator.output_position_m, estimator.output_velocity_m_s
            )
            stiffness, damping = active.stiffness_N_m, active.damping_N_s_m
        return LawInputs(
            begin=self._begun(closed, active),
            nut_position_m=row.nut_position_m,
            deflection_counts=telemetry.deflection_counts,
            motor_torque_N_m=row.measured_torque_N_m,
            sample_dt_s=dt,
            sample_error_s=telemetry.time_error_s,
            skew_s=skew,
            supply_V=telemetry.supply_V if fresh else NAN,
            powered=powered,
            closed=closed,
            setpoint_N=setpoint,
            potential_N=potential,
            stiffness_N_m=stiffness,
            damping_N_s_m=damping,
            drive_temperature_degC=telemetry.temperature_degC,
            dt_s=dt_s,
            late_s=bench.late_s,
        )

    def _begun(self, closed: bool, active: object) -> int:
        """Return how the force loop begins in this cycle, 0 if it does not."""
        begin = 0
        if closed and active is not self._last:
            begin = FROM_FORCE if self._was_closed else FROM_REST
        if not self._referenced:
            self._referenced, begin = True, REFERENCE
        self._was_closed, self._last = closed, active if closed else None
        return begin


def _rows(lockstep: LockstepBench, length_s: float, acts: list[Act]) -> Iterator[list[float]]:
    bench = lockstep.bench
    left = list(acts)
    inputs = CycleInputs(lockstep)
    for cycle in range(round(length_s / lockstep.period_s)):
        while left and left[0].at_s <= cycle * lockstep.period_s:
            _request(lockstep, left.pop(0))
        powered = bench.state in POWERED
        lockstep.step()
        yield [*inputs.gather(powered), *answers(bench, powered)]


def answers(bench: Bench, powered: bool) -> LawOutputs:
    """Return the outputs of the bench in the cycle just run."""
    row, supervisor = bench.row, bench.supervisor
    closed = bench.state is State.RUNNING
    following = supervisor.following
    effort = row.commanded_torque_N_m
    if bench.by_velocity:
        effort = bench._answer.velocity_m_s if closed else 0.0
    limited = bench.shaper.limited | supervisor.bounds.limited | following.limited if closed else 0
    return LawOutputs(
        output_position_m=row.output_position_m,
        output_velocity_m_s=row.output_velocity_m_s,
        nut_velocity_m_s=row.nut_velocity_m_s,
        deflection_rate_m_s=row.deflection_rate_m_s,
        motor_force_N=row.motor_force_N,
        motor_heat=supervisor.motor_heat,
        deflection_m=row.deflection_m,
        spring_force_N=row.spring_force_N,
        force_u95_N=row.force_u95_N,
        shaped_force_N=bench._shaped if closed else NAN,
        torque_N_m=effort,
        limited=limited,
        tripped=supervisor._cause if powered else 0,
    )


def run_law(law: Law, inputs: LawInputs) -> LawOutputs:
    """Run a law through one cycle and return its outputs."""
    i = inputs
    if i.begin == REFERENCE:
        law.reference(i.nut_position_m, i.deflection_counts)
    elif i.begin:
        law.begin(int(i.begin))
    law.sense(
        i.nut_position_m,
        i.deflection_counts,
        i.motor_torque_N_m,
        i.sample_dt_s,
        i.sample_error_s,
        i.skew_s,
        i.supply_V,
        int(i.powered),
        i.dt_s,
    )
    if i.closed:
        law.act(
            i.setpoint_N,
            i.potential_N,
            i.stiffness_N_m,
            i.damping_N_s_m,
            i.drive_temperature_degC,
            i.dt_s,
            i.late_s,
        )
    else:
        law.rest()
    estimator = law.estimator
    return LawOutputs(
        output_position_m=estimator.output_position_m,
        output_velocity_m_s=estimator.output_velocity_m_s,
        nut_velocity_m_s=estimator.nut_velocity_m_s,
        deflection_rate_m_s=estimator.deflection_rate_m_s,
        motor_force_N=estimator.motor_force_N,
        motor_heat=law.supervisor.heat.heat,
        deflection_m=law.deflection_m,
        spring_force_N=law.spring_force_N,
        force_u95_N=law.force_u95_N,
        shaped_force_N=law.shaped_force_N,
        torque_N_m=law.velocity_m_s if law.by_velocity else law.torque_N_m,
        limited=float(law.limited),
        tripped=float(law.tripped),
    )


def _request(lockstep: LockstepBench, act: Act) -> None:
    if act.push is not None:
        lockstep.environment.push(*act.push)
        return
    if act.power is not None:
        request = PowerOn(load_supported=True) if act.power else PowerOff()
        outcome = lockstep.request(request)
    else:
        assert act.behaviour is not None
        outcome = lockstep.request(Apply(behaviour=act.behaviour, load_may_move=True))
    if not outcome.accepted:
        raise ValueError(
            f"the session for test vectors was refused at {act.at_s} s: {outcome.text}"
        )
