"""A computer too slow for a bench is detected within the first second."""

import math
import os
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.host.processor_share import SAFE_SHARE, ShareWatch, judge_share, processor_s, rules
from hil.host.share_beforehand import measure_share

BUSY = "while True: pass"


def test_a_safe_share_is_not_spoken_of() -> None:
    found = judge_share(0.45, 0.3, others=False, rate_hz=1000.0)
    assert not found.text and not found.refusal and not found.part


def test_above_the_safe_share_the_rig_is_moved_where_there_is_another_processor() -> None:
    found = judge_share(0.6, 0.5, others=True, rate_hz=1000.0)
    assert found.part and not found.refusal
    assert "110 %" in found.text and "moved to another" in found.text


@pytest.mark.parametrize(
    "host, rig, others", [(0.6, 0.5, False), (0.9, 0.1, True), (0.3, 0.9, True), (0.9, 0.0, True)]
)
def test_what_cannot_be_parted_is_refused_with_a_rate_that_would_do(
    host: float, rig: float, others: bool
) -> None:
    found = judge_share(host, rig, others, rate_hz=1000.0)
    assert not found.part and "Fix:" in found.refusal
    rate = float(found.refusal.partition("control.rate to ")[2].partition(" Hz")[0])
    assert not judge_share(host * rate / 1000, rig * rate / 1000, others, rate).refusal


@given(st.floats(0, 3) | st.just(math.nan), st.floats(0, 3) | st.just(math.nan), st.booleans())
def test_power_is_never_refused_where_nothing_is_known_nor_allowed_above_the_share(
    host: float, rig: float, others: bool
) -> None:
    found = judge_share(host, rig, others, 1000.0)
    if math.isnan(host + rig):
        assert not found.refusal and not found.part
    elif host + rig > SAFE_SHARE:
        assert found.refusal or found.part
        if found.part:
            assert others and max(host, rig) <= SAFE_SHARE


@pytest.mark.skipif(not os.path.exists("/proc/self/stat"), reason="the system does not tell")
def test_a_rig_that_fills_its_processor_is_seen_and_power_refused(monkeypatch) -> None:
    rig = subprocess.Popen([sys.executable, "-c", BUSY])
    try:
        watch = ShareWatch([rig.pid], 1000.0)
        assert watch.look(0.0) == "" and not watch.refusal
        while processor_s(rig.pid) < 0.3:
            pass
        # By the cycle's clock less time has passed than processor time was used.
        monkeypatch.setattr("hil.host.processor_share.LOOK_S", 0.1)
        text = watch.look(0.1)
        assert watch.refusal == text != ""
        assert watch.shares is not None and watch.shares[1] > 1.0
        assert watch.look(9.0) == ""  # reported only once
    finally:
        rig.kill()
        rig.wait()


@pytest.mark.skipif(not os.path.exists("/proc/self/stat"), reason="the system does not tell")
@pytest.mark.parametrize("others", [set(), {4095}])
def test_a_rig_that_can_go_nowhere_else_is_not_said_to_be_moved(monkeypatch, others) -> None:
    """This program has only one processor, or the system refuses to use the others."""
    watch = ShareWatch([os.getpid()], 1000.0, frozenset(others))
    used = iter([(0.0, 0.0), (0.6, 0.5)])
    monkeypatch.setattr(watch, "_used", lambda: next(used))
    watch.look(0.0)
    text = watch.look(1.0)
    assert "refused" in text and watch.refusal == text


@pytest.mark.skipif(not os.path.exists("/proc/self/stat"), reason="the system does not tell")
def test_a_rig_that_can_be_moved_is(monkeypatch) -> None:
    given = os.sched_getaffinity(0)
    if len(given) < 2:
        pytest.skip("one processor")
    rig = subprocess.Popen([sys.executable, "-c", BUSY])
    try:
        os.sched_setaffinity(rig.pid, {max(given)})
        watch = ShareWatch([rig.pid], 1000.0, frozenset(given) - {max(given)})
        used = iter([(0.0, 0.0), (0.6, 0.5)])
        monkeypatch.setattr(watch, "_used", lambda: next(used))
        watch.look(0.0)
        assert "moved to another" in watch.look(1.0) and not watch.refusal
        assert os.sched_getaffinity(rig.pid) == given - {max(given)}
    finally:
        rig.kill()
        rig.wait()


def test_what_is_reported_beforehand_names_share_and_rule() -> None:
    share = measure_share("footplate_trainer")
    assert 0.0 < share.host < 3.0 and 0.0 < share.rig < 3.0
    assert "of a processor" in share.text and "The rule: above 80 %" in share.text
    assert "power is refused until control.rate is lower" in rules(others=False)
    assert "moved to another processor" in rules(others=True)


def test_a_process_that_is_gone_has_no_share() -> None:
    assert math.isnan(processor_s(2**22 + 1))
