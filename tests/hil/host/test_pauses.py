"""Each pause of the rig host is reported with its cause."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.host.pauses import Evidence, PauseWitness, name_cause

PAUSE_S = 0.05


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        (Evidence(stopped=True, waited=0.05), "stopped from outside (SIGSTOP)"),
        (Evidence(stolen=0.03), "steal time"),
        (Evidence(faults=3, disk=0.04), "fetched from a disk"),
        (Evidence(disk=0.04), "woke late"),  # other processes waited for the disk
        (Evidence(waited=0.04, rig=0.04), "simulated rig held their processor for 40 ms"),
        (Evidence(waited=0.04, share=0.94, limit=0.95), "limit on real-time programs (95 %"),
        (Evidence(waited=0.048, share=0.4, limit=0.95), "rig host and simulated rig had used 40 %"),
        (Evidence(waited=0.04, share=0.6, limit=0.95), "another program"),
        (Evidence(waited=0.04, share=0.94, limit=1.0), "another program"),
        (Evidence(waited=0.04, realtime=False), "no real-time priority"),
        (Evidence(used=0.04), "rig host itself computed"),
        (Evidence(interrupts=0.03), "interrupts"),
        (Evidence(memory=0.03), "memory was short"),
        (Evidence(waited=0.02, used=0.02), "woke late"),
        # The system does not always count a program as waiting when the limit holds it back.
        (Evidence(share=0.35, limit=0.95), "probably the system's limit on real-time programs"),
        (Evidence(share=0.35, limit=0.95, realtime=False), "woke late"),
        (Evidence(share=0.35, limit=0.9), "woke late"),  # its wait is twice as long
        (Evidence(reported=False), "does not report"),
    ],
)
def test_causes_are_told_apart(seen: Evidence, words: str) -> None:
    assert words in name_cause(PAUSE_S, seen)


times = st.floats(0.0, 1.0)


@given(times, times, times, times, st.floats(0.005, 10.0))
def test_nothing_is_blamed_that_was_less_than_half_of_it(
    waited: float, used: float, stolen: float, rig: float, pause_s: float
) -> None:
    text = name_cause(pause_s, Evidence(waited=waited, used=used, stolen=stolen, rig=rig))
    blamed = {"steal": stolen, "another program": waited, "itself computed": used, "rig held": rig}
    for words, amount in blamed.items():
        if words in text:
            assert amount >= 0.5 * pause_s


ON_LINUX = pytest.mark.skipif(
    not os.path.exists("/proc/self/schedstat"), reason="the system does not tell"
)


@ON_LINUX
def test_work_of_its_own_is_counted_over_the_pause_alone() -> None:
    witness = PauseWitness()
    try:
        for work_s in (0.2, 0.04):  # the first stretch of work ends before the pause begins
            witness.wake()
            end = time.thread_time() + work_s
            while time.thread_time() < end:
                pass
            time.sleep(0.002)  # lets the system update its counter
        witness.wake()
        seen = witness.evidence(0.05, time.monotonic())
        assert 0.035 < seen.used < 0.15 and not seen.stopped and seen.reported
        assert seen.waited >= 0.0 and seen.stolen >= 0.0
    finally:
        witness.close()


@ON_LINUX
def test_what_the_simulated_rig_used_is_counted_and_its_end_is_no_error() -> None:
    busy = subprocess.Popen([sys.executable, "-c", "while True: pass"])
    witness = PauseWitness(busy.pid)
    try:
        end = time.monotonic() + 10.0
        used = 0.0
        while used < 0.02:
            assert time.monotonic() < end
            witness.wake()
            time.sleep(0.1)
            witness.wake()
            used = witness.evidence(0.1, time.monotonic()).rig
        busy.kill()
        busy.wait()
        witness.wake()
        witness.wake()
        witness.look(time.monotonic())
        assert witness.explain(0.1, time.monotonic())
    finally:
        busy.kill()
        busy.wait()
        witness.close()


STOPPED = """
import os, signal, time
from hil.host.pauses import PauseWitness
witness = PauseWitness()
signal.signal(signal.SIGCONT, lambda *_: witness.continued())
woke = time.monotonic()
print("ready", flush=True)
while True:
    time.sleep(0.001)
    last, woke = woke, time.monotonic()
    witness.wake()
    witness.look(woke)
    if woke - last > 0.4:
        print(witness.explain(woke - last, time.monotonic()), flush=True)
        break
"""


@ON_LINUX
def test_a_process_that_was_stopped_says_so() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", STOPPED], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "ready\n"
            process.send_signal(signal.SIGSTOP)
            os.waitid(os.P_PID, process.pid, os.WSTOPPED)
            time.sleep(0.5)
            process.send_signal(signal.SIGCONT)
            assert "stopped from outside (SIGSTOP)" in process.stdout.readline()
        finally:
            process.kill()


def test_without_any_counter_that_is_said() -> None:
    witness = PauseWitness()
    witness.close()
    witness.wake()
    witness.wake()
    assert "does not report" in witness.explain(1.0, time.monotonic())
