"""The steps without torque, on healthy and on faulty rigs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from drivers.simulated.injected_faults import INJECTED_FAULTS
from drivers.simulated.variation import GROUPS, varied
from hil.bench.facts import DriveFacts
from hil.bench.lockstep import LockstepBench
from hil.bringup.findings import FINDINGS, finding
from hil.bringup.procedure import bring_up
from hil.bringup.signal_statistics import at_rest, doubled_share, lazy_bits, lost_share
from hil.bringup.step import Context, Result, Step, Verdict
from hil.bringup.steps_at_rest import SENSORS_AT_REST
from hil.bringup.steps_by_hand import SENSORS_BY_HAND
from hil.bringup.steps_drive_limits import DRIVE_LIMITS
from hil.bringup.steps_springs import SPRINGS_BY_HAND, judge_springs
from hil.bringup.steps_stop_chain import STOP_CHAIN
from hil.bringup.steps_without_power import SUPPLY, TALK
from hil.core import Sample
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import SimulatedOperator
from hil.procedures.procedure import Choose, Hand, Read, RequireHoldToRun
from hil.profile.devices import rig_parameters
from hil.profile.loader import load_profile
from hil.profile.schema import Profile

STEPS = (TALK, SUPPLY, SENSORS_AT_REST, SENSORS_BY_HAND, SPRINGS_BY_HAND, DRIVE_LIMITS, STOP_CHAIN)
HAND_FORCE_N = 87.0  # 15 % of the footplate trainer's 580 N


TRAINER = load_profile("footplate_trainer")
SLIDE = load_profile("bench_slide")
PROVEN = {"nut_m_per_turn": 0.010, "supply_V": 36.0}


@dataclass
class RunData:
    results: dict[str, Result]
    bench: LockstepBench
    context: Context

    @property
    def found(self) -> list[str]:
        return [f.code for r in self.results.values() for f in r.findings]


class Person(SimulatedOperator):
    """An operator who cannot answer questions about ``unknown``."""

    unknown = ""

    def choose(self, question: Choose) -> str:
        if self.unknown and question.about.startswith(self.unknown):
            return ""
        return super().choose(question)


def run(
    *mistakes: str,
    profile: Profile = TRAINER,
    steps: Sequence[Step] = STEPS,
    seed: int = 1,
    vary: bool = False,
    unknown: str = "",
    known: dict[str, float] | None = None,
    limits: dict[str, float] | None = None,
    person: type[Person] = Person,
    prepare: Callable[[LockstepBench], None] = lambda _bench: None,
    **actual: object,
) -> RunData:
    """Run ``steps`` on a rig with ``mistakes``; their prerequisites count as passed."""
    if vary:
        other = varied(rig_parameters(profile), seed)
        actual |= {key: getattr(other, key) for group in GROUPS for key in group}
    assert profile.simulation is not None
    simulation = profile.simulation.model_copy(
        update={"injected_faults": mistakes, "actual": {**profile.simulation.actual, **actual}}
    )
    bench = LockstepBench(profile.model_copy(update={"simulation": simulation}), seed)
    prepare(bench)
    c = bench.drive.capabilities
    own = c.own_limits if limits is None else limits
    facts = DriveFacts(
        c.identity, c.details, own, c.host_loss_s, c.rated_torque_N_m, c.peak_torque_N_m
    )
    context = Context(profile, facts, dict(known or {}), simulated=True)
    operator = person(bench.environment, bench.drive.core.parameters, turns_per_s=1.5)
    operator.unknown = unknown
    done: dict[str, Result] = {}
    passed = {key for step in steps for key in step.needs} - {step.key for step in steps}
    ended = LockstepRunner(bench, operator=operator).run(
        bring_up(steps, context, passed, lambda _: None, lambda s, r: done.update({s.key: r}))
    )
    assert ended.how == "finished", ended
    assert bench.drive.core.power.name == "OFF"
    return RunData(done, bench, context)


# ------------------------------------------------------------------ whole bring-ups


@pytest.mark.parametrize(("profile", "seed"), [(TRAINER, 3), (SLIDE, 5)])
def test_a_healthy_rig_passes_however_its_parts_turned_out(profile: Profile, seed: int) -> None:
    ran = run(profile=profile, seed=seed, vary=True)
    assert ran.found == []
    assert [r.verdict for r in ran.results.values()] == [Verdict.PASS] * len(STEPS)
    hand = 1 if profile.actuator.screw.hand == "right" else -1
    known = ran.context.known
    # The simulated hand stops 0.05 mm short of a full turn.
    assert known["nut_m_per_turn"] == pytest.approx(hand * profile.actuator.screw.lead, rel=0.03)
    true_rate = 2 * ran.bench.drive.core.parameters.spring_rate_push_N_m
    assert known["rate_inner_N_m"] == pytest.approx(true_rate, rel=0.06)
    assert known["deflection_scale"] == pytest.approx(1.0, abs=0.06)
    assert ran.bench.drive.core.peak_spring_force_N < HAND_FORCE_N
    assert ran.bench.drive.core.peak_driven_force_N < 5.0
    # The rig is left as it was found, so that the next step starts where this one did.
    assert abs(ran.bench.environment.state()["output_position_m"]) < 0.001
    assert all(m.why for r in ran.results.values() for m in r.measured if m.expected)
    traces = [t for r in ran.results.values() for p in r.plots for t in p.traces]
    assert traces and all(t.x.shape == t.y.shape for t in traces)


def test_an_absolute_encoder() -> None:
    motor = TRAINER.sensors.motor.model_copy(update={"reference": "absolute"})
    sensors = TRAINER.sensors.model_copy(update={"motor": motor})
    steps = (TALK, SENSORS_AT_REST, SENSORS_BY_HAND)
    ran = run(
        profile=TRAINER.model_copy(update={"sensors": sensors}), steps=steps, off_state="open"
    )
    assert ran.found == []
    assert ran.context.known["nut_m_per_turn"] == pytest.approx(0.01, rel=0.02)


# ------------------------------------------------------------------ one mistake each


FOUND_IN = {
    "bus_lossy": TALK,
    "sample_rate_half": TALK,
    "supply_low": SUPPLY,
    "regeneration_not_taken": SUPPLY,
    "deflection_rail": SENSORS_AT_REST,
    "deflection_shorted": SENSORS_AT_REST,
    "deflection_open": SENSORS_AT_REST,
    "deflection_noisy": SENSORS_AT_REST,
    "deflection_frozen": SENSORS_AT_REST,
    "deflection_drifts": SENSORS_AT_REST,
    "temperature_absent": SENSORS_AT_REST,
    "reference_wrong": SENSORS_AT_REST,
    "deflection_intermittent": SENSORS_BY_HAND,
    "deflection_sticks": SENSORS_BY_HAND,
    "lost_motion": SENSORS_BY_HAND,
    "channels_swapped": SENSORS_BY_HAND,
    "deflection_reversed": SENSORS_BY_HAND,
    "deflection_scale_wrong": SENSORS_BY_HAND,
    "encoder_reversed": SENSORS_BY_HAND,
    "encoder_counts_wrong": SENSORS_BY_HAND,
    "screw_left_handed": SENSORS_BY_HAND,
    "screw_lead_wrong": SENSORS_BY_HAND,
    "nut_jammed": SENSORS_BY_HAND,
    "springs_soft": SPRINGS_BY_HAND,
    "spring_missing": SPRINGS_BY_HAND,
    "preload_absent": SPRINGS_BY_HAND,
    "heartbeat_ignored": STOP_CHAIN,
}
# Corrections of the profile: the number, to the accuracy of a caliper, and its unit.
CHANGES: dict[str, dict[str, tuple[float, str]]] = {
    "deflection_reversed": {"calibration.deflection_per_count": (-3.662, "um/count")},
    "deflection_scale_wrong": {
        "calibration.deflection_per_count": (7.324, "um/count"),
        "sensors.deflection.span": (30.0, "mm"),
    },
    "encoder_counts_wrong": {"sensors.motor.counts_per_revolution": (8192.0, "")},
    "screw_lead_wrong": {"actuator.screw.lead": (5.0, "mm")},
    "springs_soft": {
        "actuator.springs.rate_per_set": (30.0, "N/mm"),
        "calibration.spring_law.inner_rate": (60.0, "N/mm"),
        "calibration.spring_law.outer_rate": (30.0, "N/mm"),
    },
}


@pytest.mark.parametrize("code", FOUND_IN)
def test_one_mistake_is_found_without_torque_and_named_rightly(code: str) -> None:
    # Open windings do not resist, so that the hand is quicker; a load away from its end would fall.
    off_state = "shorted" if code == "reference_wrong" else "open"
    ran = run(code, steps=(FOUND_IN[code],), known=PROVEN, off_state=off_state)
    assert ran.found == [code]
    (result,) = ran.results.values()
    assert result.verdict is Verdict.FAIL
    assert any(not m.good for m in result.measured), "it says what it measured"
    (found,) = result.findings
    if code == "screw_left_handed":
        assert found.changes == {"actuator.screw.hand": "left"}
    else:
        # No change for a reversed encoder: the profile's sign would reverse the torque as well.
        assert set(found.changes) == set(CHANGES.get(code, {}))
    for key, (number, unit) in CHANGES.get(code, {}).items():
        told, _, rest = found.changes[key].partition(" ")
        assert float(told) == pytest.approx(number, rel=0.06) and rest == unit
    assert ran.bench.drive.core.peak_spring_force_N < HAND_FORCE_N
    assert ran.bench.drive.core.peak_end_speed_m_s < 0.020
    if code != "heartbeat_ignored":
        assert ran.bench.drive.core.peak_driven_force_N == 0.0


def test_a_sensor_that_sticks_by_all_of_the_first_sweep_is_not_taken_for_another_input() -> None:
    ran = run(steps=(SENSORS_BY_HAND,), known=PROVEN, off_state="open", sensor_hysteresis_m=0.0006)
    assert ran.found == ["deflection_sticks"]
    assert ran.bench.drive.core.peak_spring_force_N < HAND_FORCE_N


@pytest.mark.parametrize("code", ["screw_left_handed", "spring_missing"])
def test_a_linear_rig_is_judged_as_well(code: str) -> None:
    known = {"nut_m_per_turn": -0.005}
    ran = run(code, profile=SLIDE, steps=(FOUND_IN[code],), known=known, off_state="open")
    assert ran.found == [code]


def test_nothing_is_energised_after_a_failure() -> None:
    ran = run("deflection_rail", steps=(TALK, SENSORS_AT_REST, SENSORS_BY_HAND, STOP_CHAIN))
    assert ran.results["stop_chain"].verdict is Verdict.NOT_RUN
    assert "sensors_at_rest" in ran.results["stop_chain"].text
    assert not any(e["kind"] == "state" and e["state"] == "STANDBY" for e in ran.bench.events)


@pytest.mark.parametrize(("gaps_s", "found"), [((1.0,), []), ((1.0, 4.0), ["telemetry_stale"])])
def test_a_gap_that_comes_once_is_no_finding(gaps_s: tuple[float, ...], found: list[str]) -> None:
    begun = [
        (round(1e3 * at), round(1e3 * at) + round(1.5e3 * TRAINER.limits.telemetry_age))
        for at in gaps_s
    ]

    def silent(bench: LockstepBench) -> None:
        def step(one_cycle: Callable[[], Sample] = bench.step) -> Sample:
            quiet = any(start <= bench.cycle < end for start, end in begun)
            bench.environment.disturb("silent", float(quiet))
            return one_cycle()

        bench.step = step  # type: ignore[method-assign]

    ran = run(steps=(TALK,), prepare=silent)
    assert ran.found == found
    told = {m.name: m for m in ran.results["talk"].measured}
    assert told["oldest sample in a first watch"].value == pytest.approx(30.0, abs=2.0)


def test_two_mistakes_on_the_encoder_are_both_reported() -> None:
    ran = run(
        "encoder_reversed", "encoder_counts_wrong", steps=(SENSORS_BY_HAND,), off_state="open"
    )
    assert ran.found == ["encoder_reversed", "encoder_counts_wrong"]


# ------------------------------------------------------------------ people and their answers


def test_what_nobody_knows_needs_a_person() -> None:
    ran = run(steps=(SUPPLY,), unknown="regeneration")
    assert ran.results["supply"].verdict is Verdict.NEEDS_PERSON
    ran = run(steps=(DRIVE_LIMITS,), unknown="drive_limit", limits={})
    assert ran.results["drive_limits"].verdict is Verdict.NEEDS_PERSON
    assert "torque" in ran.results["drive_limits"].text


def test_limits_that_the_drive_does_not_tell_are_asked_for() -> None:
    assert run(steps=(DRIVE_LIMITS,), limits={}).found == []
    ran = run(steps=(DRIVE_LIMITS,), limits={}, drive_max_torque_N_m=9.0)
    assert ran.found == ["drive_limit_high"]


@pytest.mark.parametrize("name", ["torque_N_m", "current_A", "speed_rad_s"])
def test_a_drive_that_permits_more_than_the_profile_fails(name: str) -> None:
    own = LockstepBench(TRAINER).drive.capabilities.own_limits
    ran = run(steps=(DRIVE_LIMITS,), limits={**own, name: 1.6 * own[name]})
    assert ran.found == ["drive_limit_high"]


def test_a_stop_that_is_not_wired_is_found_before_anything_is_energised() -> None:
    class Idle(Person):
        def act(self, hand: Hand) -> float:
            return 0.1 if hand.act == "press_stop" else super().act(hand)

    ran = run(steps=(STOP_CHAIN,), known=PROVEN, person=Idle)
    assert ran.found == ["stop_not_wired"]
    assert not any(e["kind"] == "state" and e["state"] == "STANDBY" for e in ran.bench.events)


def test_a_hold_to_run_control_let_go_too_early_ends_the_step_without_power() -> None:
    class Nervous(Person):
        def hold_to_run(self, wanted: RequireHoldToRun) -> bool:
            held = super().hold_to_run(wanted)
            if wanted.on:
                self.let_go(0.1)
            return held

    ran = run(steps=(STOP_CHAIN,), known=PROVEN, person=Nervous)
    result = ran.results["stop_chain"]
    assert result.verdict is Verdict.FAIL
    assert any(e["kind"] == "stop" and "old-to-run" in e["cause"] for e in ran.bench.events)


def test_a_simulated_person_reads_measures_and_answers_honestly() -> None:
    bench = LockstepBench(TRAINER)
    person = Person(bench.environment, bench.drive.core.parameters)
    bench.run(0.1)
    assert abs(person.read(Read("", "nut_position_m"))) < 1e-4
    assert person.choose(Choose("", "weather", ("yes", "no"))) == ""
    assert person.choose(Choose("", "regeneration", ("yes", "no"))) == "yes"
    # The bare lever weighs on the rod: moments of lever and pan, divided by the rod's arm.
    weight = 9.80665 * (1.0 * 0.150 + 0.2 * 0.420) / 0.060
    wait = person.act(Hand("hold_output", ""))
    bench.run(wait)
    balance = person.read(Read("", "balance_N", "N"))
    # At its lower end the lever weighs up to a tenth less, because of its angle.
    assert 0.85 * weight < balance * 7 < 1.02 * weight


# ------------------------------------------------------------------ signals at rest


def test_signals_at_rest() -> None:
    chance = np.random.default_rng(5)
    white = np.round(2048 + chance.normal(0, 3, 2000))
    seen = at_rest(white, 4095, 8, 1e-3)
    assert seen.noise == pytest.approx(3.0, rel=0.1)
    assert abs(seen.hum) < 0.1 and seen.dropouts == 0
    # Mains hum correlates two samples apart: cos(2π·50·0.002) = 0.81.
    hum = np.round(2048 + 30 * np.sin(2 * np.pi * 50 * np.arange(2000) * 1e-3))
    assert at_rest(hum, 4095, 8, 1e-3).hum == pytest.approx(0.81, abs=0.02)
    white[[400, 401, 900]] = 0
    assert at_rest(white, 4095, 8, 1e-3).dropouts == 2


def test_dead_bits_are_not_dropouts() -> None:
    chance = np.random.default_rng(7)
    counts = np.round(8192 + chance.normal(0, 2.4, 6000)).astype(int) & ~3
    assert at_rest(counts.astype(float), 16383, 30, 1e-3).dropouts == 0
    counts[[700, 701, 3000]] = 8000
    assert at_rest(counts.astype(float), 16383, 30, 1e-3).dropouts == 2


def test_doubled_and_lost_samples() -> None:
    chance = np.random.default_rng(6)
    values = np.round(chance.normal(0, 0.8, 2000))
    assert doubled_share(values) < 0.05
    assert doubled_share(np.repeat(values, 2)[1:2001]) > 0.95
    assert np.isnan(doubled_share(np.zeros(2000)))
    ages = np.where(chance.random(5000) < 0.19, 0.001, 0.0)
    assert lost_share(ages, 0.001) == pytest.approx(0.19, abs=0.02)


def test_a_dead_bit_is_seen_in_a_sweep() -> None:
    sweep = np.arange(1990, 2110, dtype=np.float64)
    assert lazy_bits(sweep) == []
    assert lazy_bits(np.unique(np.floor(sweep / 2) * 2)) == [0]


@pytest.mark.parametrize(
    ("rates", "code"),
    [
        ([1, 1, 1, 1], None),
        ([0.5, 0, 0, 0.5], "preload_absent"),
        ([0.5, 0.5, 0, 0], "spring_missing"),
        ([0, 0, 0.5, 0.5], "spring_missing"),
        ([0.5, 0.5, 0.5, 0.5], "springs_soft"),
        ([2, 2, 2, 2], "springs_stiff"),
    ],
)
def test_springs_are_judged_by_their_rates(rates: list[float], code: str | None) -> None:
    wrong = judge_springs(rates, sum(rates[:2]) / 2, sum(rates[2:]) / 2)
    assert (wrong and wrong.code) == code


def test_every_mistake_of_the_simulated_rig_has_a_finding_with_a_fix() -> None:
    assert {fault.found_as for fault in INJECTED_FAULTS.values()} <= set(FINDINGS)
    for code, (sentence, fix) in FINDINGS.items():
        assert sentence and fix and "{" not in sentence + fix, code
    told = finding("supply_low", supply_V=27.0, least_V=31)
    assert told.sentence.endswith("(supply 27 V, least 31 V)")
