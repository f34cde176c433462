"""Every limit and cause provoked on the simulated rig, and what its drive then received."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from drivers.base import Command, PowerRequest, PowerStage
from hil.bench.lockstep import LockstepBench
from hil.core.limit_texts import label, limit_names
from hil.core.limits import Cause, Limit
from hil.core.requests import (
    Apply,
    ConstantForce,
    Float,
    HoldPosition,
    PowerOn,
    Reset,
    VirtualSpring,
)
from hil.core.requests import Stop as StopRequest
from hil.core.samples import INDEX, State
from hil.profile.schema import Profile
from tests.hil.supervision.between import put_between

MIDDLE = 0.0275
# A drive set wider than its profile, so that it is the bench that is seen to act.
WIDE = {
    "off_state": "shorted",
    "drive_max_torque_N_m": 3.0,
    "drive_overcurrent_A": 40.0,
    "drive_overspeed_rad_s": 700.0,
}


class Rig:
    """A lockstep bench that keeps what its drive was sent."""

    def __init__(self, profile: Profile, mass_kg: float = 0.0, at_m: float | None = None) -> None:
        self.bench = LockstepBench(profile, seed=3)
        self.received: list[tuple[PowerRequest, float]] = []
        self.received_stopped: list[tuple[PowerRequest, float]] = []  # with a cause known
        write = self.bench.drive.write

        def listen(command: Command) -> None:
            self.received.append((command.power, command.torque_N_m))
            if self.bench.bench.cause:
                self.received_stopped.append((command.power, command.torque_N_m))
            write(command)

        put_between(self.bench, listen)
        self.limited = 0
        self.do = self.bench.environment
        self.do.hang(mass_kg)
        self.run(0.1)
        assert self.bench.request(PowerOn(load_supported=True)).accepted
        self.run(0.1)
        assert self.state is State.STANDBY
        if at_m is not None:
            self.apply(HoldPosition(position_m=at_m, speed_m_s=0.08))
            self.run(0.3 + 1.875 * at_m / 0.08)
            assert self.state is State.RUNNING, self.bench.bench.cause_text
            assert abs(self.value("output_position_m") - at_m) < 0.004
        self.limited = 0

    @property
    def state(self) -> State:
        return self.bench.bench.state

    def value(self, name: str) -> float:
        return self.bench.last_row[INDEX[name]]

    def apply(self, behaviour: Any) -> None:
        outcome = self.bench.request(Apply(behaviour=behaviour, load_may_move=True))
        assert outcome.accepted, outcome.text

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 1000)):
            self.limited |= int(self.bench.step()[INDEX["limited"]])

    def until_stopped(self, seconds: float = 3.0) -> None:
        for _ in range(round(seconds * 1000)):
            self.limited |= int(self.bench.step()[INDEX["limited"]])
            if self.state is State.STOPPED:
                return
        raise AssertionError(f"not stopped after {seconds} s; limited {limit_names(self.limited)}")


@dataclass
class Case:
    """``provoke`` makes it happen; ``bounds`` are limits that must act before the stop."""

    cause: int
    provoke: Callable[[Rig], object]
    says: str
    change: dict[str, Any] = field(default_factory=dict)
    mass_kg: float = 2.5
    at_m: float | None = MIDDLE
    bounds: tuple[Limit, ...] = ()
    undo: Callable[[Rig], object] = lambda rig: None
    stays_refused: str = ""  # a reset does not help against this


def lost(rig: Rig) -> None:
    rig.bench.drive.telemetry.lost = "the adapter was pulled out"


def broken(rig: Rig) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("a bug")

    rig.bench.bench.shaper.shape = fail  # type: ignore[method-assign,assignment]


def ended(cause: Cause) -> Callable[[Rig], object]:
    # The rig host calls exactly this; its processes are tested live beside the bench.
    return lambda rig: rig.bench.bench.stop(cause)


CASES = {
    "force": Case(
        Limit.FORCE,
        lambda rig: rig.do.push(-40),
        "305 N",
        {"limits__force__limited": 300.0, "limits__force__tripped": 305.0},
        bounds=(Limit.FORCE,),
        undo=lambda rig: rig.do.push(0),
    ),
    "force rate": Case(
        Limit.FORCE_RATE,
        lambda rig: rig.do.push(-100),
        "N/s",
        {"limits__force_rate__tripped": 12000.0},
        mass_kg=0.0,
        bounds=(Limit.FORCE_RATE,),
        undo=lambda rig: rig.do.push(0),
    ),
    "deflection": Case(
        Limit.DEFLECTION,
        lambda rig: rig.do.push(-60),
        "mm",
        {"limits__deflection__limited": 0.003, "limits__deflection__tripped": 0.0031},
        bounds=(Limit.DEFLECTION,),
        undo=lambda rig: rig.do.push(0),
    ),
    "travel, below": Case(
        Limit.TRAVEL,
        lambda rig: rig.do.hang(9.0),
        "lower soft end at 2.0 mm",
        bounds=(Limit.TRAVEL, Limit.FORCE),
    ),
    "travel, above": Case(
        Limit.TRAVEL,
        lambda rig: (rig.apply(Float()), rig.do.push(60)),
        "upper soft end at 53.0 mm",
        # A hand stronger than the rig may be.
        {
            "limits__speed__tripped": 5.0,
            "limits__force__limited": 300.0,
            "limits__force__tripped": 5000.0,
        },
        mass_kg=0.0,
        bounds=(Limit.TRAVEL,),
        undo=lambda rig: rig.do.push(0),
    ),
    "speed": Case(
        Limit.SPEED,
        lambda rig: (rig.apply(Float()), rig.do.push(60)),
        "beyond ±120 mm/s",
        # A motor too weak to hold the nut back.
        {
            "limits__speed__limited": 0.09,
            "limits__speed__tripped": 0.12,
            "limits__current__limited": 3.0,
            "simulation__actual": WIDE,
        },
        mass_kg=0.0,
        bounds=(Limit.SPEED,),
        undo=lambda rig: rig.do.push(0),
    ),
    "current": Case(
        # A drive that gives more than it was asked for cannot be had from the simulated one,
        # so the trip is set below the bound, which no profile may do.
        Limit.CURRENT,
        lambda rig: rig.do.hang(2.5),
        "above 3 A",
        {"limits__current__tripped": 3.0, "simulation__actual": WIDE},
        mass_kg=0.0,
    ),
    "motor heat": Case(
        # With the bound in force heat settles below its trip, so the bound is set out of reach.
        Limit.MOTOR_HEAT,
        lambda rig: rig.do.hang(2.5),
        "thermal capacity",
        {
            "actuator__motor__thermal_time_constant": 0.4,
            "actuator__motor__continuous_current": 3.0,
            "limits__motor_heat__limited": 2.0,
        },
        mass_kg=0.0,
    ),
    "drive temperature": Case(
        Limit.DRIVE_TEMPERATURE,
        lambda rig: rig.do.disturb("temperature_degC", 86.0),
        "86.0 degC",
        undo=lambda rig: rig.do.disturb("temperature_degC", None),
    ),
    "supply low": Case(
        Limit.SUPPLY_LOW,
        lambda rig: rig.do.disturb("supply_V", 28.0),
        "below 31 V",
        undo=lambda rig: rig.do.disturb("supply_V", None),
    ),
    "supply high": Case(
        Limit.SUPPLY_HIGH,
        lambda rig: rig.do.disturb("supply_V", 43.0),
        "above 42 V",
        undo=lambda rig: rig.do.disturb("supply_V", None),
    ),
    "telemetry age": Case(
        Limit.TELEMETRY_AGE,
        lambda rig: rig.do.disturb("silent", 1),
        "ms old",
        undo=lambda rig: rig.do.disturb("silent", None),
    ),
    "sensor at rail": Case(
        Limit.SENSOR_RAIL,
        lambda rig: rig.do.disturb("deflection_rail", 1),
        "4095 of 0 to 4095 counts",
        {
            "limits__sensor_jump__counts": 5000.0,
            "limits__force__tripped": 5000.0,
            "limits__deflection__tripped": 1.0,
        },
        undo=lambda rig: rig.do.disturb("deflection_rail", None),
    ),
    "sensor jump": Case(
        Limit.SENSOR_JUMP,
        lambda rig: rig.do.disturb("deflection_jump_counts", 300),
        "in one cycle, above 200",
        undo=lambda rig: rig.do.disturb("deflection_jump_counts", None),
    ),
    "loose sensor contact": Case(
        Limit.SENSOR_JUMP,
        lambda rig: rig.do.disturb("deflection_dropout", 0.2),
        "in one cycle, above 200",
        undo=lambda rig: rig.do.disturb("deflection_dropout", None),
    ),
    "sensor frozen": Case(
        Limit.SENSOR_FROZEN,
        lambda rig: (
            rig.do.disturb("deflection_frozen", 1),
            rig.apply(HoldPosition(position_m=0.045)),
        ),
        "did not change by one count",
        undo=lambda rig: rig.do.disturb("deflection_frozen", None),
    ),
    "motor sensor frozen": Case(
        Limit.MOTOR_SENSOR_FROZEN,
        lambda rig: (
            rig.do.disturb("encoder_frozen", 1),
            rig.apply(HoldPosition(position_m=0.045)),
        ),
        "not one count of change",
        undo=lambda rig: rig.do.disturb("encoder_frozen", None),
        stays_refused="not one count of change",
    ),
    "slow values silent": Case(
        Limit.TELEMETRY_AGE,
        lambda rig: rig.do.disturb("slow_values_silent", 1),
        "the drive's value of supply, temperature is 41.00 ms old, above 40 ms",
        undo=lambda rig: rig.do.disturb("slow_values_silent", None),
    ),
    "encoder slips": Case(
        Limit.POSITION_FOLLOWING,
        lambda rig: (
            rig.do.disturb("encoder_slipping", 0.5),
            rig.apply(HoldPosition(position_m=0.045)),
        ),
        "the drive's own velocity differ",
        undo=lambda rig: rig.do.disturb("encoder_slipping", None),
        stays_refused="the drive's own velocity differ",
    ),
    "soft springs": Case(
        Limit.DISAGREEMENT,
        lambda rig: rig.do.disturb("spring_factor", 0.5),
        "motor-derived force",
        {"limits__disagreement__tripped": 60.0},
        undo=lambda rig: rig.do.disturb("spring_factor", None),
    ),
    "jammed nut": Case(
        Limit.DISAGREEMENT,
        lambda rig: (rig.do.disturb("jam", 1), rig.apply(HoldPosition(position_m=0.045))),
        "motor-derived force",
        undo=lambda rig: rig.do.disturb("jam", None),
    ),
    "drive fault": Case(
        Limit.DRIVE_FAULT,
        lambda rig: rig.do.disturb("drive_fault", 0x2310),
        "0x2310: drive: motor current too high",
    ),
    "operator": Case(
        Cause.OPERATOR,
        lambda rig: rig.bench.request(StopRequest(cause="pressed by a test")),
        "pressed by a test",
    ),
    "heartbeat late": Case(Cause.HEARTBEAT_LATE, ended(Cause.HEARTBEAT_LATE), "fell silent"),
    "cycle late": Case(Cause.CYCLE_LATE, ended(Cause.CYCLE_LATE), "host was held up"),
    "host ending": Case(Cause.HOST_ENDING, ended(Cause.HOST_ENDING), "end of the rig host"),
    "exception": Case(
        Cause.EXCEPTION,
        broken,
        "ZeroDivisionError: a bug",
        undo=lambda rig: rig.bench.bench.shaper.__dict__.pop("shape"),
    ),
    "drive lost": Case(
        Cause.DRIVE_LOST,
        lost,
        "the adapter was pulled out",
        undo=lambda rig: setattr(rig.bench.drive.telemetry, "lost", ""),
    ),
    "drive dropped out": Case(
        Cause.DRIVE_DISABLED,
        lambda rig: rig.do.disturb("restart", 1),
        "power stage off",
        stays_refused="counts have restarted",
    ),
    "encoder against the motor": Case(
        Limit.SPEED,
        lambda rig: rig.do.disturb("encoder_reversed", 1),
        "counts have restarted or slipped",
        undo=lambda rig: rig.do.disturb("encoder_reversed", None),
        stays_refused="counts have restarted",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_cause_stops_latches_and_resets(
    name: str, footplate: Profile, change: Callable[..., Any]
) -> None:
    case = CASES[name]
    rig = Rig(change(footplate, **case.change), case.mass_kg, case.at_m)
    case.provoke(rig)
    rig.until_stopped()
    bench = rig.bench.bench

    # The cause is told, with its numbers, and kept in the sample.
    assert bench.cause == case.cause, bench.cause_text
    assert case.says in bench.cause_text
    stop = [event for event in rig.bench.events if event["kind"] == "stop"]
    assert len(stop) == 1
    assert stop[0]["cause"] == label(case.cause)
    assert stop[0]["trip"] is (case.cause not in (Cause.OPERATOR, Cause.HOST_ENDING))
    for limit in case.bounds:
        assert rig.limited >> limit & 1, f"{limit.name} was not limited before the trip"

    # The first command that leaves with the cause known removes power already.
    rig.run(0.003)
    assert rig.received_stopped
    assert set(rig.received_stopped) == {(PowerRequest.OFF, 0.0)}
    energised = rig.received[: -len(rig.received_stopped)]
    assert energised[-1][0] is PowerRequest.ON

    # Latched: whatever is asked, and with the cause gone.
    case.undo(rig)
    rig.run(0.2)
    assert rig.state is State.STOPPED
    assert not rig.bench.request(PowerOn(load_supported=True)).accepted
    assert not rig.bench.request(Apply(behaviour=Float())).accepted
    sent = len(rig.received)
    rig.run(0.1)
    assert rig.state is State.STOPPED and bench.cause == case.cause
    assert set(rig.received[sent:]) == {(PowerRequest.OFF, 0.0)}
    assert rig.bench.drive.core.power in (PowerStage.OFF, PowerStage.FAULT)

    # Reset leads to De-energised and moves nothing.
    rig.do.push(0.0)
    rig.do.hang(0.0)
    rig.run(0.6)
    before = rig.bench.drive.core.physics.nut_position_m
    sent = len(rig.received)
    assert rig.bench.request(Reset()).accepted
    rig.run(0.3)
    assert rig.state is State.DE_ENERGISED and bench.cause == 0
    for power, torque in rig.received[sent:]:
        assert power in (PowerRequest.OFF, PowerRequest.CLEAR_FAULT)
        assert torque == 0.0
    # The lever may still sink on shorted windings; a motor at work would be much faster.
    assert abs(rig.bench.drive.core.physics.nut_position_m - before) < 0.004
    assert rig.bench.drive.core.power is PowerStage.OFF

    outcome = rig.bench.request(PowerOn(load_supported=True))
    if case.stays_refused:
        assert not outcome.accepted and case.stays_refused in outcome.text
        assert "confirm that" in outcome.text
    elif case.cause == Limit.MOTOR_HEAT and not outcome.accepted:
        raise AssertionError("the motor had time to cool")
    else:
        assert outcome.accepted, outcome.text


def test_every_limit_and_cause_is_provoked_here() -> None:
    limited_only = {Limit.VIRTUAL_STIFFNESS, Limit.DAMPING}
    # The hold-to-run control belongs to restricted operation: tests/hil/control/test_commissioning.
    provoked = {case.cause for case in CASES.values()} | {Cause.HOLD_TO_RUN_RELEASED}
    # A loop that shakes and a shaper that runs away: tests/hil/supervision/test_following.
    provoked |= {Limit.FORCE_FOLLOWING, Limit.SETPOINT_FOLLOWING, Limit.OUTPUT_ENERGY}
    # The end of control: tests/hil/host/test_control_ends.
    provoked |= {Cause.CONTROL_RELEASED}
    provoked |= {Cause.POWER_NOT_REMOVED}  # tests/hil/bench/test_power_removal
    provoked |= {Cause.SETPOINT_LATE}  # tests/hil/bench/test_external_setpoint
    assert provoked == {*Limit, *Cause} - limited_only


def test_stiffness_and_damping_are_trimmed_and_said(footplate: Profile) -> None:
    rig = Rig(footplate, 0.0, MIDDLE)
    stiff = VirtualSpring(rest_m=MIDDLE, stiffness_N_m=200e3, damping_N_s_m=5000.0, bias_N=38.0)
    outcome = rig.bench.request(Apply(behaviour=stiff))
    assert outcome.accepted
    assert "virtual stiffness" in outcome.text and "damping" in outcome.text
    rig.run(0.1)
    assert rig.limited >> Limit.VIRTUAL_STIFFNESS & 1 and rig.limited >> Limit.DAMPING & 1
    assert rig.value("virtual_stiffness_N_m") <= 0.98 * 120e3 + 1e-6


@pytest.mark.parametrize(
    ("limit", "disturbance", "value", "text"),
    [
        (Limit.SUPPLY_LOW, "supply_V", 29.0, "supply 29.00 V is below 31 V"),
        (Limit.SUPPLY_HIGH, "supply_V", 44.0, "is above 42 V"),
        (Limit.DRIVE_TEMPERATURE, "temperature_degC", 90.0, "90.0 degC, above 85 degC"),
        (Limit.SENSOR_RAIL, "deflection_rail", -1, "0 of 0 to 4095 counts"),
        (Limit.TELEMETRY_AGE, "silent", 1, "ms old"),
    ],
)
def test_energising_is_refused_while_a_condition_stands(
    footplate: Profile, limit: Limit, disturbance: str, value: float, text: str
) -> None:
    bench = LockstepBench(footplate, seed=3)
    bench.run(0.05)
    bench.environment.disturb(disturbance, value)
    bench.run(0.5)
    assert bench.bench.state is State.DE_ENERGISED  # nothing trips while power is off
    outcome = bench.request(PowerOn(load_supported=True))
    assert not outcome.accepted
    assert text in outcome.text
    bench.run(0.1)
    assert bench.drive.core.power is PowerStage.OFF
    bench.environment.disturb(disturbance, None)
    bench.run(0.5)
    assert bench.request(PowerOn(load_supported=True)).accepted


def test_a_fault_while_energising_stops_with_its_text(footplate: Profile) -> None:
    bench = LockstepBench(footplate, seed=3)
    bench.run(0.05)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.005)
    bench.environment.disturb("drive_fault", 0x3210)
    bench.run(0.005)
    assert bench.bench.state is State.STOPPED
    assert "DC link voltage too high" in bench.bench.cause_text


class TestCorridor:
    """Behaviours that would run into an end are brought to rest at the soft end."""

    @pytest.mark.parametrize(
        ("mass", "start"),
        [(0.0, 0.048), (2.5, 0.012), (2.5, 0.048), (5.0, 0.03), (7.5, 0.012), (7.5, 0.048)],
    )
    def test_no_weight_let_go_reaches_the_lower_trip(
        self, footplate: Profile, mass: float, start: float
    ) -> None:
        rig = Rig(footplate, 0.0, start)
        _hang_gently(rig, mass, start)
        rig.apply(Float())
        self._comes_to_rest(rig, footplate.limits.travel.lower)

    @pytest.mark.parametrize("mass", [0.0, 5.0, 7.5])
    def test_no_lift_reaches_the_upper_trip(self, footplate: Profile, mass: float) -> None:
        rig = Rig(footplate, 0.0, 0.012)
        _hang_gently(rig, mass, 0.012)
        rig.apply(ConstantForce(force_N=min(575.0, 240.0 + 68.6 * mass)))
        self._comes_to_rest(rig, footplate.limits.travel.upper)

    def _comes_to_rest(self, rig: Rig, end: float) -> None:
        rig.limited = 0
        rig.run(2.2)
        assert rig.state is State.RUNNING, rig.bench.bench.cause_text
        assert rig.limited >> Limit.TRAVEL & 1
        assert abs(rig.value("output_position_m") - end) < 0.0005
        assert abs(rig.value("output_velocity_m_s")) < 0.002

    def test_a_rod_on_its_lower_end_is_not_lifted_by_the_corridor(self, footplate: Profile) -> None:
        rig = Rig(footplate, 2.5, None)
        assert rig.value("output_position_m") < 0.0005
        rig.apply(Float())
        rig.run(1.0)
        assert rig.state is State.RUNNING, rig.bench.bench.cause_text
        assert rig.value("output_position_m") < 0.0005

    def test_an_end_does_not_hold_back_what_leads_away(self, footplate: Profile) -> None:
        rig = Rig(footplate, 2.5, None)
        rig.apply(HoldPosition(position_m=MIDDLE, speed_m_s=0.08))
        rig.run(1.6)
        assert rig.state is State.RUNNING, rig.bench.bench.cause_text
        assert abs(rig.value("output_position_m") - MIDDLE) < 0.002

    def test_a_hand_that_pushes_steadily_is_held_at_the_end(self, footplate: Profile) -> None:
        rig = Rig(footplate, 0.0, 0.02)
        rig.apply(Float(damping_N_s_m=300.0))
        rig.do.push(-30)
        rig.run(2.0)
        assert rig.state is State.RUNNING, rig.bench.bench.cause_text
        assert abs(rig.value("output_position_m") - 0.002) < 0.001
        speeds = [abs(row[INDEX["output_velocity_m_s"]]) for row in rig.bench.run(0.5)]
        assert max(speeds) < 0.005  # at rest, no shaking against the hand


def _hang_gently(rig: Rig, mass: float, position: float) -> None:
    """Hang a weight in steps while the output is held: the hand that sets it down."""
    if mass == 0.0:
        return
    steps = 8
    for step in range(1, steps + 1):
        rig.do.hang(mass * step / steps)
        rig.run(0.12)
    rig.run(0.5)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert abs(rig.value("output_position_m") - position) < 0.004


def test_heat_is_limited_and_so_never_trips(footplate: Profile, change: Callable[..., Any]) -> None:
    warm = change(
        footplate,
        actuator__motor__thermal_time_constant=0.4,
        actuator__motor__continuous_current=3.0,
    )
    rig = Rig(warm, 0.0, MIDDLE)
    rig.do.hang(2.5)  # takes about 4 A to hold
    rig.run(2.5)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert rig.limited >> Limit.MOTOR_HEAT & 1
    assert rig.value("motor_heat") < warm.limits.motor_heat.tripped
    # What the motor may still give lets the weight sink, into the corridor and no further.
    assert rig.value("output_position_m") < MIDDLE - 0.002


def test_current_is_limited(footplate: Profile, change: Callable[..., Any]) -> None:
    weak = change(footplate, limits__current__limited=3.0)
    rig = Rig(weak, 0.0, MIDDLE)
    rig.do.hang(2.5)
    rig.run(0.5)
    assert rig.limited >> Limit.CURRENT & 1
    most = 3.0 * weak.actuator.motor.torque_constant
    assert max(abs(torque) for _, torque in rig.received) <= most + 1e-9


def test_heat_outlives_stop_and_reset(footplate: Profile, change: Callable[..., Any]) -> None:
    warm = change(footplate, actuator__motor__thermal_time_constant=1.5)
    rig = Rig(warm, 2.5, MIDDLE)
    rig.run(1.0)
    heat = rig.value("motor_heat")
    assert heat > 0.01
    rig.bench.request(StopRequest())
    rig.run(0.01)
    rig.bench.request(Reset())
    rig.run(0.01)
    assert rig.value("motor_heat") == pytest.approx(heat, rel=0.05)
    rig.run(1.5)  # sinking on shorted windings warms it as well, then it cools
    assert rig.value("motor_heat") < 0.9 * heat
