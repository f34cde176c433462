"""The steps under power on the simulated rig: healthy rigs pass, each fault is named, forces stay low."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import pytest

from drivers.motion import speaking
from drivers.simulated import Lateness
from drivers.simulated.injected_faults import INJECTED_FAULTS
from drivers.simulated.variation import GROUPS, varied
from hil.bench.facts import DriveFacts
from hil.bench.lockstep import LockstepBench
from hil.bench.referencing import SIMULATED, UNVERIFIED
from hil.bringup.findings import finding
from hil.bringup.procedure import bring_up
from hil.bringup.step import Context, Result, Step, Verdict
from hil.bringup.steps_first_motion import FIRST_MOTION
from hil.bringup.steps_force import SPRING_PUSH
from hil.bringup.steps_heat import HEAT
from hil.bringup.steps_loop import LOOP
from hil.bringup.steps_travel import TRAVEL
from hil.bringup.steps_working_force import WORKING_FORCE
from hil.bringup.under_power import ENVELOPE_SHARE
from hil.core.limit_texts import fix
from hil.core.limits import Cause
from hil.core.samples import State
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import SimulatedOperator
from hil.procedures.procedure import RequireHoldToRun
from hil.profile.devices import rig_parameters
from hil.profile.loader import load_profile
from hil.profile.schema import Profile, Simulation

ALL = (FIRST_MOTION, TRAVEL, SPRING_PUSH, WORKING_FORCE, LOOP, HEAT)
WITHOUT_POWER = {
    "talk",
    "supply",
    "sensors_at_rest",
    "sensors_by_hand",
    "springs_by_hand",
    "drive_limits",
    "stop_chain",
}
MOST_FORCE_SHARE = 0.15  # true force as a share of the rated one, while the drive is on
MOST_WORKING_SHARE = 1.1  # in the step that goes up to the rated force
MOST_AT_AN_END_M_S = 0.020


@dataclass
class Outcome:
    results: dict[str, Result]
    context: Context
    bench: LockstepBench
    # Largest true force under power: in the working force step (True) and elsewhere (False).
    forces: dict[bool, float]
    end_m_s: float

    @property
    def codes(self) -> set[str]:
        return {f.code for result in self.results.values() for f in result.findings}

    def assert_gentle(self) -> None:
        rated = self.context.profile.limits.force.limited
        assert max(self.forces.values()) > 0.0
        assert self.forces[False] < MOST_FORCE_SHARE * rated
        assert self.forces[True] < MOST_WORKING_SHARE * rated
        assert self.end_m_s < MOST_AT_AN_END_M_S

    def assert_safe(self) -> None:
        assert self.bench.drive.core.power.name in ("OFF", "FAULT")
        assert self.bench.bench.state in (State.DE_ENERGISED, State.STOPPED)


def built(name: str, injected_faults: tuple[str, ...] = (), seed: int = 0) -> Profile:
    profile = load_profile(name)
    if name == "bench_slide":
        limits = profile.limits
        travel = limits.travel.model_copy(update={"upper": SHORT_M - 0.003})
        profile = profile.model_copy(
            update={
                "actuator": profile.actuator.model_copy(update={"stroke": SHORT_M}),
                "limits": limits.model_copy(update={"travel": travel}),
            }
        )
    simulation = profile.simulation or Simulation()
    actual = dict(simulation.actual)
    if seed:
        other = varied(rig_parameters(profile), seed)
        actual |= {key: getattr(other, key) for group in GROUPS for key in group}
    simulation = simulation.model_copy(
        update={"actual": actual, "injected_faults": injected_faults}
    )
    return profile.model_copy(update={"simulation": simulation})


def brought_up(
    profile: Profile,
    steps: tuple[Step, ...],
    let_go_after_s: float = math.inf,
    seed: int = 1,
    reference: str = SIMULATED,
    lateness: Lateness | None = None,
) -> Outcome:
    """Run ``steps`` on this rig; all steps before them count as passed."""
    bench = LockstepBench(profile, seed, lateness=lateness)
    bench.bench.reference = reference
    bench.run(0.3)
    operator = SimulatedOperator(bench.environment, bench.drive.core.parameters)
    if math.isfinite(let_go_after_s):
        operator.let_go(let_go_after_s)
    motor = profile.actuator.motor
    facts = DriveFacts(
        "simulated",
        {},
        {},
        0.05,
        motor.torque_constant * motor.continuous_current,
        motor.torque_constant * motor.peak_current,
    )
    true = bench.drive.core.parameters
    # As the steps by hand would have found: without preload one set of springs acts at a time.
    known = {
        "supply_V": bench.drive.core.supply_V,
        "rate_inner_N_m": true.spring_rate_push_N_m + true.spring_rate_pull_N_m,
        "deflection_scale": 1.0,
    }
    context = Context(profile, facts, known, simulated=True)
    results: dict[str, Result] = {}
    core, forces, ends = bench.drive.core, {True: 0.0, False: 0.0}, [0.0]

    def note(step: Step, result: Result | None = None) -> None:
        working = step is WORKING_FORCE and result is not None
        forces[working] = max(forces[working], core.peak_driven_force_N)
        ends.append(core.peak_end_speed_m_s)
        core.reset_peaks()
        if result is not None:
            results[step.key] = result

    before = ALL[: ALL.index(steps[0])]
    runner = LockstepRunner(bench, operator=operator)
    ended = runner.run(
        bring_up(steps, context, WITHOUT_POWER | {step.key for step in before}, note, note)
    )
    assert ended.how == "finished", ended.text
    return Outcome(results, context, bench, forces, max(ends))


@functools.cache
def healthy(name: str, seed: int) -> Outcome:
    return brought_up(built(name, seed=seed), ALL, seed=seed or 1)


# The slide shortened to a quarter of its stroke takes less than half the time.
SHORT_M = 0.025


HEALTHY = [("footplate_trainer", 6), ("bench_slide", 0)]


@pytest.mark.parametrize(("name", "seed"), HEALTHY)
def test_a_sound_rig_passes_gently(name: str, seed: int) -> None:
    found = healthy(name, seed)
    verdicts = {key: (r.verdict, r.text, r.findings) for key, r in found.results.items()}
    assert all(r.verdict is Verdict.PASS for r in found.results.values()), verdicts
    assert list(found.results) == [step.key for step in ALL]
    # The travel step touched the lower end: zero is no longer a guess.
    assert found.bench.bench.reference == "found"
    measured = {m.name: m.value for m in found.results["travel"].measured}
    assert 0.0 < float(measured["repeatability of the reference"]) < 50.0
    found.assert_gentle()
    found.assert_safe()


@pytest.mark.parametrize(("name", "seed"), HEALTHY)
def test_what_is_measured_is_what_the_rig_is(name: str, seed: int) -> None:
    found = healthy(name, seed)
    true = found.bench.drive.core.parameters
    known = found.context.known
    stroke = known["stroke_high_m"] - known["stroke_low_m"]
    assert stroke == pytest.approx(true.stroke_m, abs=2e-4)
    # At the speed of the sweep the Stribeck term is negligible.
    lead = true.screw_lead_m
    assert known["friction_N_m"] == pytest.approx(true.friction_coulomb_N_m, rel=0.05)
    assert known["breakaway_N_m"] == pytest.approx(true.friction_breakaway_N_m, rel=0.15)
    # Friction at standstill holds a force F with F·η_b·lead/2π = T_friction.
    yields = true.friction_breakaway_N_m * 2 * math.pi / lead / true.screw_efficiency_backward
    assert known["back_drive_N"] == pytest.approx(yields, rel=0.45)
    wanted = found.context.profile.control.force_bandwidth
    assert 0.5 * wanted < known["loop_bandwidth_Hz"] < 1.5 * wanted
    assert known["loop_margin_deg"] > 40
    springs = found.context.profile.actuator.springs
    assert known["preload_m"] == pytest.approx(springs.preload, rel=0.08)
    for key, rate in (
        ("outer_push_N_m", true.spring_rate_push_N_m),
        ("outer_pull_N_m", true.spring_rate_pull_N_m),
    ):
        # The slide's rated force is only a little beyond its knee.
        assert known[key] == pytest.approx(rate, rel=0.2 if name == "bench_slide" else 0.1)


# Friction of the slide's screw holds 15 to 19 N, so each jump of the sticking nut is most of a push.
@pytest.mark.parametrize("seed", [6, 7, 12])
def test_a_nut_that_jumps_shows_no_strong_motor(seed: int) -> None:
    found = brought_up(built("bench_slide", seed=seed), (SPRING_PUSH,))
    assert found.results["spring_push"].verdict is Verdict.PASS, found.results
    assert found.context.known["motor_over_spring_force"] == pytest.approx(1.0, abs=0.2)
    assert max(found.forces.values()) < found.context.profile.limits.force.limited * ENVELOPE_SHARE


def test_of_a_nut_that_jumps_the_motor_s_strength_is_found() -> None:
    found = brought_up(built("bench_slide", ("torque_constant_wrong",)), (SPRING_PUSH,))
    assert found.codes == {"torque_constant_wrong"}
    found.assert_gentle()


def test_what_was_measured_is_proposed_and_plotted() -> None:
    found = healthy(*HEALTHY[0])
    actuator = found.context.profile.actuator
    changes = {k: v for r in found.results.values() for k, v in r.changes.items()}
    friction = found.context.known["friction_N_m"]
    off = abs(friction / actuator.friction.coulomb - 1)
    assert ("actuator.friction.coulomb" in changes) == (off > 0.1)
    assert not any(key.startswith("limits.travel") for key in changes)
    for step in (FIRST_MOTION, TRAVEL, SPRING_PUSH, WORKING_FORCE, LOOP):
        plots = found.results[step.key].plots
        assert plots, step.key
        for plot in plots:
            for trace in plot.traces:
                assert len(trace.x) == len(trace.y) > 2
                assert np.all(np.isfinite(trace.x)) and np.all(np.isfinite(trace.y))


def test_the_loop_is_not_closed_on_a_guess_though_the_control_is_held() -> None:
    found = brought_up(built("footplate_trainer"), (LOOP,), reference=UNVERIFIED)
    assert found.results["loop"].verdict is Verdict.NEEDS_PERSON
    assert "reference not verified" in found.results["loop"].text
    assert not found.results["loop"].closed_loop
    found.assert_safe()
    assert TRAVEL.recheck_on_resume  # each rig host has its own zero


def test_the_loop_is_closed_in_its_own_step_only() -> None:
    found = healthy(*HEALTHY[0])
    closed = [key for key, result in found.results.items() if result.closed_loop]
    assert closed == ["loop"]


@pytest.mark.parametrize(
    ("mistake", "steps"),
    [
        ("phases_swapped", (FIRST_MOTION, TRAVEL)),
        ("pole_pairs_wrong", (FIRST_MOTION, TRAVEL)),
        ("screw_stiff_spot", (TRAVEL, SPRING_PUSH)),
        ("end_stop_inside", (TRAVEL, SPRING_PUSH)),
        ("regeneration_not_taken", (TRAVEL, SPRING_PUSH)),
        ("torque_constant_wrong", (SPRING_PUSH, LOOP)),
        ("pole_pairs_one_off", (FIRST_MOTION, TRAVEL)),
        ("friction_high", (FIRST_MOTION, TRAVEL)),
        ("screw_bent", (TRAVEL, SPRING_PUSH)),
        ("guide_rubs", (TRAVEL, SPRING_PUSH)),
        ("encoder_offset", (WORKING_FORCE, LOOP)),
        ("current_peak_for_rms", (WORKING_FORCE, LOOP)),
        ("encoder_slips", (WORKING_FORCE, LOOP)),
        ("deflection_slips", (WORKING_FORCE, LOOP)),
        ("springs_bind", (WORKING_FORCE, LOOP)),
        # Faults that the steps by hand should have found are stopped here as well.
        ("deflection_reversed", (SPRING_PUSH, LOOP)),
        ("deflection_scale_wrong", (SPRING_PUSH, LOOP)),
        ("deflection_reversed", (LOOP,)),
    ],
)
def test_a_mistake_is_named_and_nothing_after_it_is_energised(
    mistake: str, steps: tuple[Step, ...]
) -> None:
    found = brought_up(built("footplate_trainer", (mistake,)), steps)
    expected = {INJECTED_FAULTS[mistake].found_as} if steps != (LOOP,) else {"loop_polarity_wrong"}
    assert found.codes == expected, found.results
    assert found.results[steps[0].key].verdict is Verdict.FAIL
    assert all(found.results[s.key].verdict is Verdict.NOT_RUN for s in steps[1:])
    assert not any(result.closed_loop for result in found.results.values())
    found.assert_gentle()
    found.assert_safe()


def test_a_stiffer_set_whose_knee_is_beyond_the_rated_torque_is_named() -> None:
    """At 1.4 times the rate its knee is at 4.67°, where the torque is 29.3 N·m of 30."""
    found = brought_up(built("rotary_joint", ("springs_mixed",)), (WORKING_FORCE, LOOP))
    assert found.codes == {"springs_unequal"}, found.results
    with speaking("rotary"):
        told = finding("springs_unequal", push_Nmm=53.76).sentence
    assert told.endswith("(push 210 N·m/rad)")
    assert not any(result.closed_loop for result in found.results.values())
    found.assert_gentle()
    found.assert_safe()


NEAR_THE_KNEE = (
    "springs_mixed",
    "springs_unequal",
    "springs_bind_early",
    "deflection_slips",
    "deflection_range",
)


@pytest.mark.parametrize("mistake", NEAR_THE_KNEE)
def test_what_is_wrong_is_named_where_the_rated_force_is_just_beyond_the_knee(mistake: str) -> None:
    found = brought_up(built("bench_slide", (mistake,)), (WORKING_FORCE, LOOP))
    assert found.codes == {INJECTED_FAULTS[mistake].found_as}, found.results
    assert not any(result.closed_loop for result in found.results.values())
    found.assert_gentle()
    found.assert_safe()


def test_an_output_that_rubs_is_named_where_the_first_torque_does_not_turn_on() -> None:
    found = brought_up(built("rotary_joint", ("guide_rubs",)), (FIRST_MOTION,))
    assert found.codes == {"guide_rubs"}, found.results
    found.assert_safe()


@pytest.mark.parametrize(
    ("mistake", "start_m"),
    [("phases_swapped", 0.0013), ("phases_swapped", 0.0016), ("pole_pairs_wrong", 0.0019)],
)
def test_wrong_fields_are_told_apart_wherever_the_rotor_stands(
    mistake: str, start_m: float
) -> None:
    profile = built("footplate_trainer", (mistake,))
    simulation = profile.simulation
    assert simulation is not None
    # The screw was turned by hand since the drive found its angle, by an unknown amount.
    actual = {**simulation.actual, "initial_output_m": start_m}
    profile = profile.model_copy(
        update={"simulation": simulation.model_copy(update={"actual": actual})}
    )
    found = brought_up(profile, (FIRST_MOTION,))
    assert found.codes == {mistake}
    found.assert_gentle()


@pytest.mark.parametrize(
    ("step", "after_s"),
    [(FIRST_MOTION, 1.5), (TRAVEL, 1.0), (SPRING_PUSH, 2.5), (WORKING_FORCE, 1.0), (LOOP, 1.2)],
)
def test_letting_go_ends_the_step_without_power(step: Step, after_s: float) -> None:
    profile = built("footplate_trainer")
    found = brought_up(profile, (step, HEAT), let_go_after_s=after_s)
    assert found.results[step.key].verdict is Verdict.FAIL
    assert "Hold-to-run" in found.results[step.key].text
    # The record has plots of the moments before the stop, and a fix.
    assert [len(p.traces[0].x) > 500 for p in found.results[step.key].plots] == [True, True]
    assert fix(Cause.HOLD_TO_RUN_RELEASED) in found.results[step.key].text
    assert found.results[HEAT.key].verdict is Verdict.NOT_RUN
    found.assert_safe()
    assert found.bench.bench.profile.limits == profile.limits  # the envelope no longer applies


def test_letting_go_under_the_rated_force_hits_nothing_hard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    held = SimulatedOperator.hold_to_run

    def lets_go(self: SimulatedOperator, wanted: RequireHoldToRun) -> bool:
        if wanted.on and f"{0.97 * 580:.0f} N" in wanted.text:
            self.let_go(4.4)  # near the top
        return held(self, wanted)

    monkeypatch.setattr(SimulatedOperator, "hold_to_run", lets_go)
    found = brought_up(built("footplate_trainer"), (WORKING_FORCE, LOOP))
    assert "Hold-to-run" in found.results["working_force"].text
    assert found.forces[True] > 400.0
    assert found.results["loop"].verdict is Verdict.NOT_RUN
    found.assert_gentle()
    found.assert_safe()


def test_nobody_at_the_enabling_control_means_no_power() -> None:
    bench = LockstepBench(built("footplate_trainer"))
    bench.run(0.3)
    operator = SimulatedOperator(bench.environment, bench.drive.core.parameters)
    operator.hold_to_run = lambda wanted: not wanted.on  # type: ignore[method-assign]
    context = Context(bench.profile, DriveFacts("", {}, {}, 0.05, 1.0, 2.0), simulated=True)
    results: list[Result] = []
    LockstepRunner(bench, operator=operator).run(
        bring_up(
            (FIRST_MOTION,),
            context,
            set(WITHOUT_POWER),
            lambda _: None,
            lambda _, result: results.append(result),
        )
    )
    assert results[0].verdict is Verdict.NEEDS_PERSON
    assert bench.drive.core.peak_driven_force_N == 0.0
