"""Ask the operating system for what a 1 kHz loop needs, and say what it granted.

Every step is tried on its own; none is needed for the loop to run, but each refusal makes
late cycles likelier, so the operator is told in one plain notice.
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
# Closed when the process ends, however it ends: the request then lapses by itself.
LATENCY_DEVICE = "/dev/cpu_dma_latency"
# No other thread belongs in this process, but if one runs it gives way this soon.
SWITCH_INTERVAL_S = 0.0005


@dataclass(frozen=True)
class GrantedStep:
    """One thing asked of the system, whether it was granted, and in words what that means."""

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
    """Processors on which this process may run; empty if the system does not say."""
    try:
        return frozenset(os.sched_getaffinity(0))
    except AttributeError:
        return frozenset()


def own_processor() -> int | None:
    """The processor that a paced loop should stay on: the last one; None if there is but one.

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
    """A processor for one bench: two that share one hold each other up.

    The last that no other bench has claimed; if all are claimed, the last. A claim is a name in
    the system's abstract socket space (Linux), which lapses with the process however it ends.

    Attributes:
        number: of the processor; None if there is but one, or the system does not say.
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
        """True if it is this bench's alone."""
        return self._claim is not None

    def close(self) -> None:
        """Give it back."""
        if self._claim is not None:
            self._claim.close()


def prepare_realtime(priority: int = 60, cpu: int | None = None) -> RealtimeGrant:
    """Make this process fit for a paced loop, as far as the system permits. Never raises.

    Args:
        priority: SCHED_FIFO priority, 1 to 99; 0 leaves the scheduler as it is.
        cpu: number of the processor to stay on; None leaves the choice to the system.
    """
    # Priority last: locking and collecting take tens of milliseconds, in which nobody else with
    # a deadline may be kept from his processor.
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
    """Ask that idle processors wait awake (Linux, PM QoS: most wake-up latency 0 us).

    A processor that sleeps deeply wakes late; a virtual one that halts is given away by the
    machine below and has to be given back. Measured on a virtual machine of two cores: an empty
    loop at 1 kHz and SCHED_FIFO woke within 2 ms at p99.9 without this, within 0.1 ms with it.
    """
    name = "idle processors"
    try:
        device = os.open(LATENCY_DEVICE, os.O_WRONLY | os.O_CLOEXEC)
        os.write(device, struct.pack("=i", 0))  # kept open on purpose: it holds only that long
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
    # What lives now lives to the end; what the cycle makes is freed by reference count.
    gc.collect()
    gc.freeze()
    gc.disable()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    return GrantedStep("interpreter", True, "garbage collector off, present objects frozen")


def sleep_until(due_s: float) -> None:
    """Sleep until ``time.monotonic()`` reads ``due_s``; returns at once if it already does.

    ``time.sleep`` waits for an absolute time by itself (clock_nanosleep, since Python 3.11),
    and calling that by ctypes woke no sooner. Spinning through the last 100 us takes the median
    from about 30 us to 1 us and a tenth of a processor, which the drive has no use for.
    """
    left = due_s - time.monotonic()
    if left > 0.0:
        time.sleep(left)
