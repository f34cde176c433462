"""Texts of the Operate page in every state, without a window."""

import math
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.limits import Limit
from hil.core.samples import INDEX, BehaviourCode, State
from hil.profile import Lever
from hil.profile.loader import load_profile, profile_to_dict
from tests.ui.made_rows import make_rows
from ui.dashboard.bench.health import health
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.bench.readout_texts import readouts
from ui.dashboard.bench.rig_statics import borne_mass, lever_angle, rig_text
from ui.dashboard.bench.traces import TRACE_INDEX
from ui.dashboard.bench.wording import clock_text, duration_text, number

WALL = "2026-01-20T09:41:07.250+01:00"


def test_before_anything_comes_nothing_is_promised(model):
    model.tick(3.0)
    assert model.state_word == "No answer"
    assert "hard-wired" in model.state_detail
    assert model.lock_reason == "the rig host does not answer"
    assert not (model.may_power_on or model.may_power_off or model.may_reset)
    assert [word.value for word in readouts(model)] == ["–"] * 4


@pytest.mark.parametrize(
    "state, word, detail, apply",
    [
        (State.DE_ENERGISED, "De-energised", "motor disabled", "power is off"),
        (State.STANDBY, "Standby", "zero torque", ""),
        (State.RUNNING, "Running", "Float for 00:00:01", ""),
        (State.STOPPED, "Stopped", "Stop was pressed", "find the cause, then reset"),
    ],
)
def test_states_in_words(model, state, word, detail, apply):
    model.feed([make_rows(1500, state=state, behaviour=BehaviourCode.FLOAT, tripped=40)], 1.0)
    assert model.state_word == word
    assert detail in model.state_detail
    assert apply in model.why_not_apply
    assert bool(apply) == bool(model.why_not_apply)
    assert model.may_reset == (state is State.STOPPED)
    assert model.may_power_on == (state is State.DE_ENERGISED)
    assert model.may_power_off == (state in (State.STANDBY, State.RUNNING))


def test_silence_is_said_after_half_a_second(model):
    model.feed([make_rows(10)], 10.0)
    model.tick(10.4)
    assert model.state_word == "Running"
    model.tick(10.6)
    assert model.state_word == "No answer"
    assert health(model)[0].text == "rig host silent" and not health(model)[0].well


def test_a_trip_names_cause_clock_and_the_kept_run(model):
    model.feed(
        [
            make_rows(10),
            {
                "kind": "stop",
                "cause": "Travel",
                "code": int(Limit.TRAVEL),
                "time_s": 0.005,
                "detail": "output past the upper soft end.",
                "wall": WALL,
            },
            {"kind": "state", "state": "STOPPED"},
        ],
        1.0,
    )
    assert model.state_word == "Stopped"
    assert model.state_detail == "output past the upper soft end."
    assert model.last_stop_text == ("Last stop: Travel: output past the upper soft end, 09:41:07.")
    assert "inside" in model.last_stop_fix
    model.feed([{"kind": "kept", "run": "0017-trip", "wall": WALL}], 1.1)
    assert model.last_stop_text.endswith(" Kept as run 0017-trip.")
    assert model.marks[-1].text == "stop: Travel"
    model.feed([{"kind": "stop", "cause": "Operator", "code": 40, "detail": "operator"}], 2.0)
    assert model.last_stop_text == "Last stop: Operator."


def test_a_trim_stays_readable_for_a_second(model):
    mask = 1 << Limit.FORCE | 1 << Limit.TRAVEL
    rows = make_rows(100)
    rows.rows[50, INDEX["limited"]] = mask
    model.feed([rows], 1.0)
    assert model.limited == ["Force", "Travel"]
    model.feed([make_rows(800, start_s=0.1)], 1.9)
    assert model.limited == ["Force", "Travel"]
    model.feed([make_rows(400, start_s=0.9)], 2.3)
    assert model.limited == []


def test_only_the_holder_may_act(model):
    model.feed(
        [make_rows(10, state=State.STANDBY), {"kind": "heartbeat", "holder": "notebook"}], 1.0
    )
    model.in_control = False
    assert model.why_not_apply == "notebook holds control; this window watches"
    assert not model.may_power_off
    model.feed([{"kind": "heartbeat", "holder": None}], 1.1)
    assert "no client holds control" in model.lock_reason
    model.watch_only = True
    assert model.lock_reason == "this window was opened to watch"


def test_big_numbers_are_short_means_and_the_charts_hold_all(model):
    force = 100.0 + 10.0 * (-1.0) ** np.arange(2000)
    model.feed([make_rows(2000, spring_force_N=force, force_u95_N=3.2, deflection_m=0.00286)], 1.0)
    first, second, third, _ = readouts(model)
    assert (first.value, first.unit, first.note) == ("100", "N", "± 3")
    assert (second.value, third.value) == ("2.86", "30.0")
    assert model.buffer.count == 2000
    held = model.buffer.window(0.0, 2.0, 20)
    assert np.nanmax(held.high[TRACE_INDEX["spring_force_N"]]) == 110.0


def test_another_rig_host_begins_a_new_history(model):
    model.feed([make_rows(3000, start_s=50.0), {"kind": "marker", "text": "a", "time_s": 51}], 1.0)
    model.feed([make_rows(100, start_s=0.2)], 2.0)
    assert model.buffer.count == 100
    assert not model.marks


def test_timing_health(model):
    for i in range(50):
        model.feed([make_rows(20, start_s=0.02 * i)], 1.0 + 0.02 * i)
    model.feed([{"kind": "heartbeat", "holder": "x", "late_cycles": 7}], 2.0)
    words = {word.text: word.well for word in health(model)}
    assert words == {"drive answering": True, "1.00 kHz": True, "7 late": True, "real-time": True}
    slow = make_rows(20, start_s=1.0, telemetry_age_s=0.3)
    slow.rows[:, 0] = 1.0 + np.arange(20) * 0.01
    model.feed([slow], 2.1)
    troubled = [word.text for word in health(model) if not word.well]
    assert troubled[0] == "drive silent"
    assert troubled[1].endswith("kHz")


def test_a_remote_link_shows_its_delay(model):
    model.feed([make_rows(20)], 1.0)
    model.link_delay_s = 0.034
    assert next(word for word in health(model) if word.text == "link 34 ms").well
    model.link_delay_s = 0.26
    assert not next(word for word in health(model) if word.text == "link 260 ms").well


def test_no_real_time_is_a_trouble_that_is_reported(description):
    description["realtime"] = {"granted": False, "notice": "Real-time: not permitted"}
    model = OperateModel(description, history_s=5.0)
    model.feed([make_rows(10)], 1.0)
    word = next(word for word in health(model) if "real-time" in word.text)
    assert not word.well and word.tooltip == "Real-time: not permitted"


def test_recording_counts_from_its_start(model):
    model.feed([make_rows(100), {"kind": "recording", "run": "0003-a", "time_s": 0.05}], 1.0)
    model.feed([make_rows(9950, start_s=0.1)], 2.0)
    assert health(model)[-1].text == "recording 00:00:09"
    model.feed([{"kind": "recorded", "run": "0002-trip"}], 2.1)
    assert model.recording == "0003-a"
    model.feed([{"kind": "recorded", "run": "0003-a"}], 2.2)
    assert model.recording_since is None


@pytest.mark.parametrize("mass", [0.0, 2.5, 5.0, 7.5])
@pytest.mark.parametrize("output_m", [0.005, 0.0275, 0.05])
def test_the_borne_mass_is_the_one_in_equilibrium(mass, output_m):
    """Moments about the pivot, worked out: F·a = g·cosθ·(m·L + m_pan·L + m_lever·c)."""
    profile = load_profile("footplate_trainer")
    rig = profile.rig
    assert isinstance(rig, Lever)
    angle = (output_m - 0.0275) / 0.060
    assert lever_angle(rig, output_m) == pytest.approx(angle)
    moment = 9.80665 * math.cos(angle) * ((mass + 0.2) * 0.420 + 1.0 * 0.150)
    assert borne_mass(profile, moment / 0.060, output_m) == pytest.approx(mass, abs=1e-9)


def test_a_linear_rig_bears_weight_less_its_carriage():
    profile = load_profile("bench_slide")
    force = (4.0 + profile.rig.carriage_mass) * 9.80665
    assert borne_mass(profile, force, 0.03) == pytest.approx(4.0)
    assert rig_text(profile) == "linear rig, vertical"
    model = OperateModel({"profile": profile_to_dict(profile)}, history_s=5.0)
    assert readouts(model)[3].label == "Carries"
    model.feed([make_rows(500, spring_force_N=force)], 1.0)
    assert (readouts(model)[3].value, readouts(model)[3].unit) == ("≈ 4.0", "kg")
    # Neither a force during motion nor a pull is shown as a weight.
    model.feed([make_rows(500, 0.5, spring_force_N=force, output_velocity_m_s=0.02)], 1.5)
    assert readouts(model)[3].value == "–"
    model.feed([make_rows(500, 1.0, spring_force_N=-20.0)], 2.0)
    assert readouts(model)[3].value == "–"


def test_where_no_weight_can_hang_no_mass_is_reported():
    profile = load_profile("bench_slide")
    level = profile.model_copy(update={"rig": profile.rig.model_copy(update={"vertical": False})})
    model = OperateModel({"profile": profile_to_dict(level)}, history_s=5.0)
    model.feed([make_rows(500, spring_force_N=30.0, output_velocity_m_s=0.012)], 1.0)
    shown = readouts(model)[3]
    assert (shown.label, shown.value, shown.unit) == ("Output speed", "12", "mm/s")


@given(st.floats(allow_nan=True), st.integers(0, 4))
def test_numbers_carry_a_true_minus_and_no_minus_zero(value, decimals):
    text = number(value, decimals)
    assert "-" not in text
    if not math.isfinite(value):
        assert text == "–"
    else:
        # Exact: a large float cannot tell half a last digit from slightly more.
        shown = Decimal(text.replace("−", "-"))
        assert abs(shown - Decimal(value)) <= Decimal(5).scaleb(-decimals - 1)
        assert text.strip("−0.") or not text.startswith("−")


def test_times_in_words():
    assert duration_text(3725.9) == "01:02:05"
    assert duration_text(-1) == "00:00:00"
    assert clock_text({"wall": WALL}) == "09:41:07"
    assert clock_text({}) == ""


def test_unknown_events_and_empty_blocks_do_no_harm(model):
    model.feed(
        [{"kind": "something new"}, {}, make_rows(0), {"kind": "notice", "text": "hello"}], 1.0
    )
    assert model.notices[-1] == ("", "hello")


def test_what_is_offered_starts_from_what_the_rig_does(model):
    """A behaviour applied as offered must hardly move anything."""
    model.feed([make_rows(500, state=State.STANDBY, spring_force_N=173.4)], 1.0)
    model.choose(2)
    assert model.form["force"] == 173.0
    model.choose(3)
    assert model.form["rest"] == pytest.approx(0.030)
    model.choose(4)
    model.form.entry("position").value = 0.041
    model.form.entry("position").touched = True
    model.choose(1)
    model.choose(4)
    assert model.form["position"] == 0.041  # a value set by hand stays


def test_a_trim_that_comes_and_goes_is_said_once(model):
    model.feed([make_rows(100)], 1.0)
    trim = {"kind": "limited", "limits": ["Travel"]}
    model.feed([trim, trim, {"kind": "limited", "limits": ["Force"]}, trim], 1.1)
    assert [text for _, text in model.notices] == ["limited by travel", "limited by force"]
    model.feed([make_rows(100, start_s=20.0), trim], 21.0)
    assert len(model.notices) == 3


def test_a_reference_that_nobody_verified_is_said_until_it_is_confirmed(model):
    model._event({"kind": "heartbeat", "reference": "unverified"})
    assert "REFERENCE NOT VERIFIED" in [word.text for word in health(model)]
    model._event({"kind": "reference", "how": "confirmed", "position_m": 0.0})
    assert "REFERENCE NOT VERIFIED" not in [word.text for word in health(model)]


def test_the_winding_is_shown_with_its_temperature_and_whence_it_began():
    profile = load_profile("footplate_trainer")
    text = "the last use did not end in order; power may come on in 80 s"
    told = {"profile": profile_to_dict(profile), "heat": {"how": "unseen", "text": text}}
    model = OperateModel(told)
    assert any(text in said for _, said in model.notices)
    heat = {"winding": 0.5, "housing": 0.2}
    model.feed([make_rows(10), {"kind": "heartbeat", "motor_heat": heat}], 1.0)
    word = next(word for word in health(model) if "winding" in word.text)
    assert word.text == "winding about 65 °C" and word.well and text in word.tooltip
    model.feed([{"kind": "heartbeat", "motor_heat": {"winding": 0.95, "housing": 0.2}}], 1.1)
    assert not next(word for word in health(model) if "winding" in word.text).well
