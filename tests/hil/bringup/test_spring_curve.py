"""Rates, knee and losses from pushes with known springs, and verdicts on them."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.bringup.manual_actions import Spot
from hil.bringup.sensor_sweep import judge_sweep
from hil.bringup.signal_statistics import Floats
from hil.bringup.spring_curve import Curve, Push, Screw, spring_curve, two_slopes
from hil.bringup.step import Context, Result
from hil.bringup.working_force_verdicts import judge_both
from hil.profile.loader import load_profile

SCREW = Screw(628.0, 0.9, 0.82)
FRICTION_N_m = 0.03


def law(x: Floats, inner: float, knee: float, share: float = 0.5) -> Floats:
    """Return the force of both sets up to the knee, of the one that bears ``share`` of the rate beyond it."""
    return np.asarray(inner * np.minimum(x, knee) + share * inner * np.maximum(x - knee, 0.0))


def pushed(
    inner: float, knee: float, rub: float = 0.0, far: float = 0.0065, share: float = 0.5
) -> Push:
    """Return a push up and back over one law; ``rub`` of the force is lost each way."""
    up = np.linspace(0.0, far, 3000)
    down = up[::-1]
    going = (
        law(up, inner, knee, share) * (1 + rub) / SCREW.forward / SCREW.per_torque + FRICTION_N_m
    )
    coming = (
        law(down, inner, knee, share) * (1 - rub) * SCREW.backward / SCREW.per_torque - FRICTION_N_m
    )
    x = np.concatenate([up, down])
    torque = np.concatenate([going, coming])
    volts = np.full(len(x), 36.0)
    return Push(x, x, law(x, inner, knee, share), torque, torque, volts, len(up))


@settings(deadline=None, max_examples=40)
@given(
    inner=st.floats(20e3, 300e3),
    knee=st.floats(0.0012, 0.0048),
    rub=st.floats(0.0, 0.15),
    scale=st.floats(0.7, 1.4),
)
def test_friction_cancels_and_the_knee_is_found(
    inner: float, knee: float, rub: float, scale: float
) -> None:
    curve = spring_curve(pushed(inner, knee, rub), SCREW, scale, 50.0)
    # Spring friction biases the rate, because a screw loses more of a push than of a release.
    # Largest error on a grid: 2.1 % without friction, 4.5 % with 0.15 of the force lost.
    assert curve.inner == pytest.approx(scale * inner, rel=0.022 + 0.2 * rub)
    assert curve.outer == pytest.approx(0.5 * scale * inner, rel=0.06)
    assert curve.knee == pytest.approx(knee, abs=1.5e-4)
    assert curve.loss == pytest.approx(rub, abs=0.03)
    assert curve.end_rate < 1.2 * scale * inner


STICKS_N = 4.0  # by which break-away exceeds sliding friction at the nut
RAMP_N_S = 60.0


def pushed_in_jumps(inner: float, knee: float, rub: float, far: float, share: float) -> Push:
    """Return a push and release of a nut that stands until its friction yields, then jumps."""
    x, top = 0.0, 0
    rows: list[tuple[float, float]] = []
    most = law(np.array([far]), inner, knee, share)[0]
    for sense, last in ((1.0, most), (-1.0, 0.02 * most)):
        load = (rows[-1][1] if rows else 0.0) * SCREW.per_torque
        while sense * (last - law(np.array([x]), inner, knee, share)[0]) > 0:
            force = law(np.array([x]), inner, knee, share)[0] * (1 + sense * rub)
            needs = force / SCREW.forward if sense > 0 else force * SCREW.backward
            yields = needs + sense * (FRICTION_N_m * SCREW.per_torque + STICKS_N)
            stood = max(40, math.ceil(abs(yields - load) / RAMP_N_S * 1e3))
            rows += [(x, load / SCREW.per_torque + (yields - load) / SCREW.per_torque * i / stood)
                     for i in range(1, stood + 1)]  # fmt: skip
            load = yields
            rate = inner if x < knee - 1e-12 else share * inner
            onward = max(0.0, x + sense * 2 * STICKS_N / rate)
            rows += [(x + (onward - x) * i / 40, load / SCREW.per_torque) for i in range(1, 41)]
            x = onward
            if x == 0.0:
                break
        top = top or len(rows)
    travel, torque = np.array(rows).T
    volts = np.full(len(travel), 36.0)
    return Push(travel, travel, law(travel, inner, knee, share), torque, torque, volts, top)


@settings(deadline=None, max_examples=40)
@given(
    inner=st.floats(40e3, 120e3),
    knee=st.floats(0.0025, 0.0042),
    rub=st.floats(0.0, 0.12),
    share=st.floats(0.35, 0.6),
)
def test_a_nut_that_sticks_shows_both_slopes(
    inner: float, knee: float, rub: float, share: float
) -> None:
    push = pushed_in_jumps(inner, knee, rub, 0.0058, share)
    curve = spring_curve(push, SCREW, 1.0, 30.0)
    assert curve.inner == pytest.approx(inner, rel=0.03 + 0.2 * rub)
    assert curve.outer == pytest.approx(share * inner, rel=0.06)
    assert curve.knee == pytest.approx(knee, abs=3e-4)
    assert curve.loss == pytest.approx(rub, abs=0.03)


@pytest.mark.parametrize(("inner", "far"), [(14e3, 0.0014), (17e3, 0.0012), (20e3, 0.0011)])
def test_two_yields_either_way_are_a_rate(inner: float, far: float) -> None:
    """On a slide with soft springs the first stage had two: its mean torque gave a fifth of the rate."""
    push = pushed_in_jumps(inner, 1.0, 0.0, far, 0.5)
    assert spring_curve(push, SCREW, 1.0, 30.0).inner == pytest.approx(inner, rel=0.02)


def test_without_a_knee_there_is_none_and_a_nut_that_stands_is_infinitely_stiff() -> None:
    curve = spring_curve(pushed(120e3, 1.0), SCREW, 1.0, 50.0)
    assert math.isnan(curve.knee) and math.isnan(curve.outer)
    assert curve.inner == pytest.approx(120e3, rel=0.01)
    push = pushed(120e3, 1.0)
    travel = np.minimum(push.travel, 0.003)
    stuck = Push(travel, travel, push.force, push.torque, push.torque, push.supply, push.top)
    assert spring_curve(stuck, SCREW, 1.0, 50.0).end_rate == math.inf


def test_noise_bends_no_line() -> None:
    x = np.linspace(0.0, 0.005, 120)
    y = 120e3 * x + np.random.default_rng(1).normal(0.0, 5.0, len(x))
    assert math.isnan(two_slopes(x, y)[2])


def judged(up: Push, down: Push) -> tuple[str, Context]:
    context = Context(load_profile("footplate_trainer"), SimpleNamespace(), {})  # type: ignore[arg-type]
    curves: list[Curve] = [spring_curve(push, SCREW, 1.0, 50.0) for push in (up, down)]
    found = judge_both(context, Result("working_force"), *curves)
    return (found.code if found else ""), context


@pytest.mark.parametrize(
    ("up", "down", "code"),
    [
        (pushed(120e3, 0.003), pushed(120e3, 0.003), ""),
        (pushed(100e3, 0.003), pushed(100e3, 0.003), ""),
        (pushed(120e3, 0.001), pushed(120e3, 0.001), "preload_low"),
        (pushed(120e3, 0.0045), pushed(120e3, 0.0045), "preload_high"),
        (pushed(120e3, 1.0), pushed(120e3, 1.0), "preload_low"),
        (pushed(120e3, 0.003), pushed(90e3, 0.003), "springs_unequal"),
        (pushed(120e3, 0.003, 0.1), pushed(120e3, 0.003, 0.1), "hysteresis_high"),
    ],
)
def test_both_ends_together_name_what_is_wrong(up: Push, down: Push, code: str) -> None:
    found, context = judged(up, down)
    assert found == code
    assert ("preload_m" in context.known) == (not code)


def sets(push: float, pull: float, preload: float, reach: float) -> tuple[Push, Push]:
    """Return both pushes over two sets that balance at rest; rates in N/m, the rest in m."""
    total = push + pull
    return (
        pushed(total, 2 * preload * push / total, far=reach, share=push / total),
        pushed(total, 2 * preload * pull / total, far=reach, share=pull / total),
    )


@pytest.mark.parametrize(
    ("push", "pull", "reach", "code"),
    [
        (
            84e3,
            60e3,
            0.0035,
            "springs_unequal",
        ),  # its knee is at 3.5 mm, that of the pull at 2.5 mm
        (60e3, 84e3, 0.0035, "springs_unequal"),
        (84e3, 60e3, 0.0065, "springs_unequal"),  # both knees are seen
        (62e3, 58e3, 0.0038, ""),  # equal within a few percent, one knee beyond reach
        (58e3, 62e3, 0.0038, ""),
        (60e3, 60e3, 0.004, ""),  # little of the travel is beyond either knee
        (66e3, 54e3, 0.0048, "springs_unequal"),
        (78e3, 54e3, 0.0045, "springs_unequal"),  # one far, one near its end
    ],
)
def test_sets_are_compared_though_one_knee_is_beyond_the_rated_force(
    push: float, pull: float, reach: float, code: str
) -> None:
    found, context = judged(*sets(push, pull, 0.003, reach))
    assert found == code
    if not code:
        assert context.known["outer_push_N_m"] == pytest.approx(push, rel=0.08)
        assert context.known["outer_pull_N_m"] == pytest.approx(pull, rel=0.08)
        assert context.known["preload_m"] == pytest.approx(0.003, rel=0.06)


def spots(*shown_mm: float) -> list[Spot]:
    true = (0.0, 0.5, 0.0, -0.5, 0.0)
    return [
        Spot(0.0, 1e-3 * s, 0.0, 1e-3 * t, np.zeros((0, 1)))
        for t, s in zip(true, shown_mm, strict=True)
    ]


@pytest.mark.parametrize(
    ("shown", "scale", "lost_mm"),
    [
        ((0.0, 0.5, 0.0, -0.5, 0.0), 1.0, 0.0),
        ((0.0, 0.25, 0.0, -0.25, 0.0), 0.5, 0.0),
        ((0.0, -0.5, 0.0, 0.5, 0.0), -1.0, 0.0),
        ((0.0, 0.3, 0.2, -0.3, -0.2), None, 0.4),  # 0.4 mm of play
        ((0.0, 0.0, 0.0, 0.0, 0.0), 0.0, 1.0),  # at least 1 mm: the reading did not follow
    ],
)
def test_a_sweep_tells_a_wrong_scale_from_lost_travel(
    shown: tuple[float, ...], scale: float | None, lost_mm: float
) -> None:
    sweep = judge_sweep(spots(*shown))
    if scale is not None:
        assert sweep.scale == pytest.approx(scale, abs=1e-6)
    assert 1e3 * sweep.lost_m == pytest.approx(lost_mm, abs=1e-6)
