"""Rights that the system grants, accurate sleeping, and timing figures of a computer."""

from __future__ import annotations

import gc
import json
import math
import os
import subprocess
import sys
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.host.empty_loop import empty_loop
from hil.host.realtime import ClaimedProcessor, own_processor, sleep_until
from hil.host.timing import LatencyHistogram, judge, measure_host

pytestmark = pytest.mark.real_time

# In its own process, because real-time settings cannot be undone.
PROBE = """
import gc, json, os, sys
from hil.host.realtime import prepare_realtime
grant = prepare_realtime({priority}, {cpu})
print(json.dumps({{
    "granted": grant.granted, "notice": grant.notice,
    "steps": {{step.name: [step.granted, step.text] for step in grant.steps}},
    "policy": os.sched_getscheduler(0) & 0xff, "priority": os.sched_getparam(0).sched_priority,
    "cpus": sorted(os.sched_getaffinity(0)), "collects": gc.isenabled(),
    "frozen": gc.get_freeze_count(), "switch": sys.getswitchinterval(),
    "awake": [fd for fd in os.listdir("/proc/self/fd")
              if os.path.exists(f"/proc/self/fd/{{fd}}")
              and os.readlink(f"/proc/self/fd/{{fd}}") == "/dev/cpu_dma_latency"],
    "locked": [line for line in open("/proc/self/status") if line.startswith("VmLck")],
}}))
"""


def probe(priority: int, cpu: int | None = None, before: str = "") -> dict[str, object]:
    answer = subprocess.run(
        [sys.executable, "-c", before + PROBE.format(priority=priority, cpu=cpu)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return dict(json.loads(answer.stdout))


def test_the_notice_tells_what_is_in_force() -> None:
    cpu = min(os.sched_getaffinity(0))
    seen = probe(37, cpu)
    assert seen["granted"] is (seen["policy"] == os.SCHED_FIFO)
    if seen["granted"]:
        assert seen["priority"] == 37
        assert "SCHED_FIFO priority 37 granted" in str(seen["notice"])
    else:
        assert str(seen["notice"]).startswith("NOT real-time")
        assert "rtprio" in str(seen["notice"])
    steps = seen["steps"]
    assert isinstance(steps, dict)
    assert steps["memory"][0] is (seen["locked"] != [] and " 0 kB" not in str(seen["locked"]))
    assert steps["idle processors"][0] is (seen["awake"] != [])  # until the process ends
    assert seen["cpus"] == [cpu]
    assert seen["collects"] is False and int(str(seen["frozen"])) > 1000
    assert seen["switch"] == pytest.approx(0.0005)


def test_refusals_are_reported_with_their_fix() -> None:
    # Drop every right before the request, as for an ordinary user without a grant.
    drop = (
        "import os, resource\n"
        "resource.setrlimit(resource.RLIMIT_RTPRIO, (0, 0))\n"
        "resource.setrlimit(resource.RLIMIT_MEMLOCK, (65536, 65536))\n"
        "if os.getuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
    )
    # Import the module while this user can still read its files.
    seen = probe(60, 4095, before="import json, hil.host.realtime\n" + drop)
    assert seen["granted"] is False
    notice = str(seen["notice"])
    assert "SCHED_FIFO priority 60 was refused" in notice
    assert "'rtprio'" in notice and "'memlock'" in notice
    assert "processor 4095 cannot be used" in notice
    assert "/dev/cpu_dma_latency" in notice


def test_nothing_is_asked_of_the_scheduler_at_priority_0() -> None:
    seen = probe(0)
    assert seen["granted"] is False and seen["policy"] == os.SCHED_OTHER
    assert "was not requested" in str(seen["notice"])


def test_sleep_is_never_short_and_a_past_time_is_no_sleep() -> None:
    for _ in range(20):
        due = time.monotonic() + 0.002
        sleep_until(due)
        assert time.monotonic() >= due
    sleep_until(time.monotonic() - 10.0)
    sleep_until(-math.inf)


class TestHistogram:
    @given(st.lists(st.floats(1e-7, 0.1), min_size=1, max_size=300))
    def test_percentiles_agree_with_sorting_to_within_a_bin(self, values: list[float]) -> None:
        histogram = LatencyHistogram()
        for value in values:
            histogram.record(value)
        for percent in (0.0, 50.0, 99.0, 99.9, 100.0):
            # NumPy's "inverted_cdf" has the same definition.
            exact = float(np.percentile(values, percent, method="inverted_cdf"))
            read = histogram.percentile(percent)
            assert exact * (1 - 1e-9) <= read or read == histogram.max_s
            assert read <= max(exact * 2 ** (1 / 8), 0.5e-6) * (1 + 1e-9)
        assert histogram.max_s == max(values)
        assert histogram.mean_s == pytest.approx(sum(values) / len(values))

    def test_extremes_are_counted(self) -> None:
        histogram = LatencyHistogram()
        for value in (-1e-6, 0.0, 1e-9, 3600.0):
            histogram.record(value)
        assert histogram.count == 4
        assert histogram.percentile(100) == 3600.0
        assert histogram.percentile(75) < 1e-6
        assert histogram.share_above(0.1) == 0.25
        assert "more" in histogram.text()

    def test_empty(self) -> None:
        histogram = LatencyHistogram()
        assert math.isnan(histogram.percentile(50)) and histogram.share_above(0.0) == 0.0
        assert histogram.text() == "nothing counted"

    @pytest.mark.parametrize("percent", [-1.0, 100.1, math.nan])
    def test_impossible_percentile(self, percent: float) -> None:
        with pytest.raises(ValueError, match="between 0 and 100"):
            LatencyHistogram().percentile(percent)

    def test_text_shows_every_count(self) -> None:
        histogram = LatencyHistogram()
        for us in (10, 20, 20, 3000):
            histogram.record(us * 1e-6)
        numbers = [int(line.split()[5]) for line in histogram.text().splitlines()]
        assert sum(numbers) == 4


def test_empty_loop_keeps_count() -> None:
    histogram, cycles, late = empty_loop(500.0, 0.2)
    assert 0 <= late <= cycles
    assert cycles in (99, 100, 101)
    assert 0 < histogram.count <= cycles


def test_empty_loop_begins_when_told_and_gives_every_latency() -> None:
    each_s: list[float] = []
    first_s = time.monotonic() + 0.05
    histogram, _, _ = empty_loop(500.0, 0.1, each_s, first_s)
    assert len(each_s) == histogram.count and max(each_s) == histogram.max_s
    assert time.monotonic() >= first_s + 0.098


def test_a_loop_of_its_own_stays_on_the_last_processor_if_there_are_several() -> None:
    allowed = os.sched_getaffinity(0)
    assert own_processor() == (max(allowed) if len(allowed) > 1 else None)
    try:
        os.sched_setaffinity(0, {min(allowed)})
        assert own_processor() is None
    finally:
        os.sched_setaffinity(0, allowed)


def test_no_two_benches_claim_one_processor_while_there_are_others() -> None:
    allowed = os.sched_getaffinity(0)
    if len(allowed) < 2:
        assert ClaimedProcessor().number is None
        return
    claims = [ClaimedProcessor() for _ in range(len(allowed) + 1)]
    try:
        # Benches of other tests may have claimed some.
        claimed = [c.number for c in claims if c.claimed]
        assert len(set(claimed)) == len(claimed) <= len(allowed)
        assert not claims[-1].claimed and claims[-1].number == max(allowed)
    finally:
        for claim in claims:
            claim.close()
    again = ClaimedProcessor()
    again.close()
    assert again.number in allowed


@pytest.mark.parametrize("bad", [(0.0, 1.0), (100.0, 0.0), (math.nan, 1.0)])
def test_impossible_measurement(bad: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="above 0"):
        measure_host(*bad)


def test_measure_host_reports_from_its_own_process() -> None:
    report = measure_host(200.0, 0.5, load=True)
    assert gc.isenabled()
    assert report.loaded and report.rate_hz == 200.0
    assert report.cycles in (99, 100, 101)
    assert 0 <= report.p50_s <= report.p99_s <= report.p999_s <= report.max_s
    assert report.verdict in report.text() and report.histogram in report.text()
    assert json.loads(json.dumps(report.as_data()))["wake_us"]["max"] >= 0


class TestVerdict:
    def test_held(self) -> None:
        holds, text = judge(1000.0, 10000, 0, 70e-6, True)
        assert holds and "holds 1000 Hz" in text

    def test_slow_everywhere_names_a_rate_that_fits(self) -> None:
        holds, text = judge(1000.0, 10000, 300, 1.3e-3, True)
        assert not holds and "lower control.rate to 200 Hz" in text
        assert "granted" not in text

    def test_few_long_gaps_are_told_apart(self) -> None:
        holds, text = judge(1000.0, 10000, 40, 60e-6, True)
        assert not holds and "long gaps" in text and "control.rate" not in text

    def test_without_real_time_that_is_the_first_fix(self) -> None:
        assert "real-time scheduling granted first" in judge(1000.0, 10000, 300, 2e-3, False)[1]

    def test_hopeless(self) -> None:
        assert "another computer" in judge(1000.0, 100, 90, 0.05, True)[1]

    @given(
        st.floats(50, 5000), st.integers(1, 10**6), st.floats(0, 1), st.floats(0, 1), st.booleans()
    )
    def test_any_measurement_has_a_verdict(
        self, rate: float, cycles: int, share: float, p999: float, realtime: bool
    ) -> None:
        holds, text = judge(rate, cycles, int(share * cycles), p999, realtime)
        assert holds == ("NOT" not in text)
