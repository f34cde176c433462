"""Request what a 1 kHz loop needs from the operating system, and report what it granted.

Every step is tried on its own; none is needed for the loop to run, but each refusal makes
late cycles more likely, so one plain notice informs the operator.
"""

from __future__ import annotations

import ctypes
import gc
import os
import resource
import socket
import struct
import sys
import time
from dataclasses import dataclass

MCL_CURRENT = 1
MCL_FUTURE = 2
PR_SET_TIMERSLACK = 29
STACK_TOUCH_BYTES = 512 * 1024
# Closed when the process ends, however it ends: the request then lapses.
LATENCY_DEVICE = "/dev/cpu_dma_latency"
# This process should have no other thread; if one runs, it yields within this time.
SWITCH_INTERVAL_S = 0.0005


@dataclass(frozen=True)
class GrantedStep:
    """One request to the system, whether it was granted, and the consequence as text."""

    name: str
    granted: bool
    text: str


@dataclass(frozen=True)
class RealtimeGrant:
    """Outcome of ``prepare_realtime``.

    Attributes:
        granted: real-time scheduling is in force (the step that matters most).
        notice: one or more lines for the operator.
        steps: every step with its own outcome.
    """

    granted: bool
    notice: str
    steps: tuple[GrantedStep, ...]


def processors_given() -> frozenset[int]:
    """Return the processors on which this process may run; empty if the system does not report it."""
    try:
        return frozenset(os.sched_getaffinity(0))
    except AttributeError:
        return frozenset()


def own_processor() -> int | None:
    """Return the processor that a paced loop should stay on: the last; None if there is only one.

    The last, because the first is where most systems serve their interrupts (common practice,
    no source).
    """
    try:
        allowed = os.sched_getaffinity(0)
    except AttributeError:
        return None
    return max(allowed) if len(allowed) > 1 else None


def more_than_one_processor() -> bool:
    """Return whether a paced loop can have a processor to itself."""
    return own_processor() is not None


class ClaimedProcessor:
    """A processor for one bench: two benches on one processor delay each other.

    It is the last processor that no other bench has claimed; if all are claimed, the last. A claim
    is a name in the system's abstract socket space (Linux), which lapses with the process, however
    it ends.

    Attributes:
        number: number of the processor; None if there is only one, or the system does not report
            it.
    """

    def __init__(self) -> None:
        self._claim: socket.socket | None = None
        self.number = own_processor()
        if self.number is None:
            return
        for number in sorted(os.sched_getaffinity(0), reverse=True):
            claim = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            try:
                claim.bind(f"\0hookeline processor {number}")
            except OSError:
                claim.close()
                continue
            self.number, self._claim = number, claim
            return

    @property
    def claimed(self) -> bool:
        """True if no other bench has claimed it."""
        return self._claim is not None

    def close(self) -> None:
        """Release the claim."""
        if self._claim is not None:
            self._claim.close()


def prepare_realtime(priority: int = 60, cpu: int | None = None) -> RealtimeGrant:
    """Prepare this process for a paced loop, as far as the system permits. Never raises.

    Args:
        priority: SCHED_FIFO priority, 1 to 99; 0 leaves the scheduler as it is.
        cpu: number of the processor to stay on; None leaves the choice to the system.
    """
    # Priority last: locking memory and collecting garbage take tens of milliseconds, which must
    # not delay another process with a deadline.
    steps = [_lock_memory(), _timer_slack(), _stay_awake(), _interpreter(), _affinity(cpu)]
    steps.insert(0, _scheduler(priority))
    real = steps[0].granted
    refused = [step for step in steps[1:] if not step.granted]
    if real:
        notice = f"Real-time: {steps[0].text}"
    else:
        notice = (
            f"NOT real-time: {steps[0].text}. The loop runs, but another busy program can make "
            "cycles late. Fix: raise the limit 'rtprio' for this user to at least "
            f"{max(priority, 1)}, or grant the interpreter CAP_SYS_NICE"
        )
    for step in refused:
        notice += f"\n{step.name}: {step.text}"
    return RealtimeGrant(real, notice, tuple(steps))


def _scheduler(priority: int) -> GrantedStep:
    name = "scheduler"
    if priority <= 0:
        return GrantedStep(name, False, "real-time scheduling was not requested")
    if not hasattr(os, "sched_setscheduler"):
        return GrantedStep(name, False, f"{sys.platform} offers no SCHED_FIFO")
    least, most = os.sched_get_priority_min(os.SCHED_FIFO), os.sched_get_priority_max(os.SCHED_FIFO)
    asked = min(max(priority, least), most)
    try:
        # Children (none are meant) would not inherit it.
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(asked))
    except OSError as error:
        return GrantedStep(
            name, False, f"SCHED_FIFO priority {asked} was refused ({error.strerror})"
        )
    return GrantedStep(name, True, f"SCHED_FIFO priority {asked} granted")


def _lock_memory() -> GrantedStep:
    name = "memory"
    try:
        c_library = ctypes.CDLL(None, use_errno=True)
        outcome = c_library.mlockall(MCL_CURRENT | MCL_FUTURE)
    except (OSError, AttributeError):
        return GrantedStep(name, False, f"{sys.platform} offers no mlockall")
    if outcome != 0:
        reason = os.strerror(ctypes.get_errno())
        soft, _hard = resource.getrlimit(resource.RLIMIT_MEMLOCK)
        allowed = "unlimited" if soft == resource.RLIM_INFINITY else f"{soft // 1024} KiB"
        return GrantedStep(
            name,
            False,
            f"pages may be swapped out: mlockall was refused ({reason}; the limit "
            f"'memlock' is {allowed}, raise it to 'unlimited')",
        )
    # Touch the stack once so that its first deep use does not fault inside a cycle.
    ctypes.memset(ctypes.create_string_buffer(STACK_TOUCH_BYTES), 0, STACK_TOUCH_BYTES)
    return GrantedStep(name, True, "all pages locked")


def _timer_slack() -> GrantedStep:
    name = "timer slack"
    try:
        c_library = ctypes.CDLL(None, use_errno=True)
        outcome = c_library.prctl(PR_SET_TIMERSLACK, ctypes.c_ulong(1), 0, 0, 0)
    except (OSError, AttributeError):
        return GrantedStep(name, False, f"{sys.platform} offers no timer slack setting")
    if outcome != 0:
        return GrantedStep(name, False, "sleeps may end up to 50 us late (prctl was refused)")
    return GrantedStep(name, True, "1 ns")


def _stay_awake() -> GrantedStep:
    """Request that idle processors stay awake (Linux, PM QoS: wake-up latency at most 0 us).

    A processor in deep sleep wakes late; the hypervisor gives a halted virtual one to another
    machine and has to return it. Measured on a virtual machine with two cores: an empty loop at
    1 kHz and SCHED_FIFO woke within 2 ms at p99.9 without this, within 0.1 ms with it.
    """
    name = "idle processors"
    try:
        device = os.open(LATENCY_DEVICE, os.O_WRONLY | os.O_CLOEXEC)
        os.write(device, struct.pack("=i", 0))  # left open: the request holds while it is open
    except OSError as error:
        return GrantedStep(
            name,
            False,
            "they may fall asleep and wake milliseconds late "
            f"({LATENCY_DEVICE}: {error.strerror}; allow this user to write to it)",
        )
    return GrantedStep(name, True, "kept awake")


def _affinity(cpu: int | None) -> GrantedStep:
    name = "processor"
    if cpu is None:
        return GrantedStep(name, True, "left to the system")
    try:
        os.sched_setaffinity(0, {cpu})
    except (OSError, AttributeError, ValueError) as error:
        return GrantedStep(name, False, f"processor {cpu} cannot be used ({error})")
    return GrantedStep(name, True, f"kept on processor {cpu}")


def _interpreter() -> GrantedStep:
    # Present objects live to the end; the cycle's objects are freed by reference count.
    gc.collect()
    gc.freeze()
    gc.disable()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    return GrantedStep("interpreter", True, "garbage collector off, present objects frozen")


def sleep_until(due_s: float) -> None:
    """Sleep until ``time.monotonic()`` reads ``due_s``; return at once if it already does.

    ``time.sleep`` itself waits for an absolute time (clock_nanosleep, since Python 3.11), and
    calling that through ctypes woke no sooner. Spinning through the last 100 us takes the median
    from about 30 us to 1 us but costs a tenth of a processor; the drive gains nothing from it.
    """
    left = due_s - time.monotonic()
    if left > 0.0:
        time.sleep(left)
