"""Power that stays on: detected, latched, reported, and left to the drive's own watchdog."""

from __future__ import annotations

import pytest

from drivers.base import PowerRequest, PowerStage
from hil.bench.lockstep import LockstepBench
from hil.control.power_removal import ALLOWED_S, PowerRemoval, Removal
from hil.core.limits import Cause
from hil.core.requests import PowerOff, PowerOn, Reset, Stop
from hil.core.samples import State
from hil.profile.loader import load_profile

DT = 0.001


@pytest.fixture
def bench():
    bench = LockstepBench(load_profile("footplate_trainer"))
    bench.run(0.5)
    return bench


def energise(bench):
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.5)
    assert bench.bench.state is State.STANDBY


def removals(bench):
    return [event for event in bench.events if event["kind"] == "power_removal"]


@pytest.mark.parametrize("how", [PowerOff(), Stop(cause="test")])
def test_power_that_stays_is_latched_and_the_watch_acts(bench, how):
    energise(bench)
    bench.environment.disturb("power_stays_on", 1)
    bench.request(how)
    bench.run(ALLOWED_S / 2)
    assert bench.bench.cause != Cause.POWER_NOT_REMOVED
    bench.run(ALLOWED_S)
    assert bench.bench.state is State.STOPPED
    assert bench.bench.cause == Cause.POWER_NOT_REMOVED
    assert bench.bench.command.power is PowerRequest.OFF
    assert "POWER IS STILL ON" in bench.bench.cause_text
    bench.run(bench.drive.capabilities.host_loss_s + 1.5)
    assert bench.drive.core.power is PowerStage.FAULT  # tripped by its own watchdog
    assert [event["still_on"] for event in removals(bench)] == [True, False]
    assert bench.bench.cause == Cause.POWER_NOT_REMOVED  # latched until a reset
    assert bench.request(Reset()).accepted


def test_a_drive_without_a_watch_is_said_to_be_on_for_as_long_as_it_is(bench):
    energise(bench)
    bench.environment.disturb("power_stays_on", 2)
    bench.request(PowerOff())
    bench.run(5.0)
    assert bench.drive.core.power is PowerStage.ON
    assert bench.bench.removal.still_on
    assert not bench.bench.command.heartbeat
    refused = bench.request(Reset())
    assert not refused.accepted and "POWER IS STILL ON" in refused.text
    bench.environment.disturb("power_stays_on", 0)
    bench.run(2.0)
    assert not bench.bench.removal.still_on
    assert bench.bench.command.heartbeat
    assert bench.request(Reset()).accepted
    assert bench.bench.state is State.DE_ENERGISED


def test_power_that_comes_unasked_is_seen(bench):
    bench.environment.disturb("comes_on_by_itself", 1)
    bench.run(0.3)
    assert bench.bench.state is State.STOPPED
    assert bench.bench.cause == Cause.POWER_NOT_REMOVED
    assert not bench.request(PowerOn(load_supported=True)).accepted


def test_it_outranks_the_first_cause_and_keeps_it_in_words(bench):
    energise(bench)
    bench.environment.disturb("power_stays_on", 1)
    bench.bench.stop(Cause.CYCLE_LATE, "held up")
    bench.run(0.3)
    assert bench.bench.cause == Cause.POWER_NOT_REMOVED
    assert "cycle late" in bench.bench.cause_text


def test_a_drive_that_falls_silent_under_power_is_off_as_far_as_can_be_told(bench):
    energise(bench)
    bench.environment.disturb("silent", 1)
    bench.run(bench.drive.capabilities.host_loss_s + 1.0)
    assert [event["shown"] for event in removals(bench)] == [False]
    assert "presumed off" in removals(bench)[0]["text"]


def test_a_healthy_stop_says_nothing(bench):
    energise(bench)
    bench.request(Stop(cause="test"))
    bench.run(2.0)
    assert removals(bench) == []
    assert bench.request(Reset()).text == "reset; power is off"


def follow(removal, asked, stage, seconds, fresh=True, dt=DT):
    found = [removal.follow(asked, stage, fresh, dt) for _ in range(round(seconds / dt))]
    return [news for news in found if news is not Removal.NONE]


def test_a_flickering_stage_is_not_off():
    removal = PowerRemoval(True, 0.1)
    follow(removal, True, PowerStage.ON, 0.1)
    found = []
    for _ in range(300):
        found += follow(removal, False, PowerStage.ON, DT)
        found += follow(removal, False, PowerStage.OFF, DT)
    assert found == [Removal.STILL_ON]
    assert follow(removal, False, PowerStage.OFF, 1.0) == [Removal.SHOWN_OFF]


def test_seen_on_and_then_silent_is_never_presumed_off():
    removal = PowerRemoval(True, 0.1)
    follow(removal, True, PowerStage.ON, 0.1)
    assert follow(removal, False, PowerStage.ON, 0.3) == [Removal.STILL_ON]
    assert follow(removal, False, PowerStage.ON, 10.0, fresh=False) == []
    assert removal.still_on and removal.withhold_heartbeat


@pytest.mark.parametrize("host_loss_s", [0.1, float("inf")])
def test_without_a_status_the_heartbeat_is_withheld_until_the_watch_must_have_acted(host_loss_s):
    removal = PowerRemoval(False, host_loss_s)
    follow(removal, True, PowerStage.ON, 0.1)
    follow(removal, False, PowerStage.OFF, 2 * DT)
    assert removal.pending and removal.withhold_heartbeat
    assert follow(removal, False, PowerStage.OFF, 1.5, dt=0.004) == [Removal.PRESUMED_OFF]
    assert not removal.pending and not removal.withhold_heartbeat


@pytest.mark.parametrize(("interval_s", "allowed_s"), [(0.0, ALLOWED_S), (0.25, 1.0)])
def test_a_status_that_comes_slowly_is_given_its_time(interval_s, allowed_s):
    removal = PowerRemoval(True, 0.1, interval_s)
    removal.follow(True, PowerStage.ON, True, DT)
    news = [removal.follow(False, PowerStage.ON, True, DT) for _ in range(2000)]
    assert removal.still_on
    assert news.index(Removal.STILL_ON) == pytest.approx(allowed_s / DT, abs=2)


def test_a_pause_is_no_time_in_which_the_drive_showed_power():
    removal = PowerRemoval(True, 0.1)
    removal.follow(True, PowerStage.ON, True, DT)
    # The sample after the pause was taken before the command could act.
    assert follow(removal, False, PowerStage.ON, 0.3, dt=0.3) == []
    assert not removal.withhold_heartbeat
    assert follow(removal, False, PowerStage.OFF, 0.05) == [] and not removal.pending
