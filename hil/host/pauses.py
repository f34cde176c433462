"""Find why a cycle came late, from the kernel's counters (Linux)."""

from __future__ import annotations

import math
import os
import time
from dataclasses import dataclass
from typing import Final

_thread_time: Final = time.thread_time  # looked up once, as it is called in each cycle

PAUSE_S: Final = 0.005  # shortest lateness for which a cause is given
LOOK_S: Final = 1.0  # between looks at the slower counters
SHARE: Final = 0.5  # of a pause that one cause must fill to be named
_NEAR_LIMIT: Final = (
    0.9  # share of the time allowed to real-time programs above which the limit is suspected
)
# The limit takes away the rest of the period in one piece; other causes have no such length.
_LIMIT_PERIOD_S: Final = 1.0  # sched_rt_period_us by the kernel's default, sched(7)
_LIKE_REST: Final = 0.1
# Without a count of the time waited. Measured next to programs of higher priority: 48 to 60 ms of 50.
_LIKELY_REST: Final = 0.25
_SCHEDSTAT: Final = "/proc/self/schedstat"
_STAT: Final = "/proc/stat"
_PRESSURE: Final = "/proc/pressure/"
_LIMIT: Final = "/proc/sys/kernel/sched_rt_{}_us"
_STAT_BYTES: Final = 16_384  # its first lines, one for each processor


@dataclass(frozen=True)
class Evidence:
    """Counters over one pause, in s; 0 where the system reports none.

    Attributes:
        stopped: a signal continued this process meanwhile (SIGCONT after SIGSTOP).
        waited: this process was ready but did not run (``/proc/self/schedstat``).
        used: processor time of this process (the same).
        rig: processor time of the simulated rig.
        stolen: taken by the hypervisor (``/proc/stat``, steal).
        interrupts: spent in interrupts on this processor (``/proc/stat``).
        memory: programs waited for memory (``/proc/pressure/memory``).
        disk: programs waited for a disk (``/proc/pressure/io``), this one for its pages.
        faults: pages of this process that came from a disk.
        share: share of their processor used by rig host and simulated rig in the last second.
        limit: share of a second that the system leaves to real-time programs.
        realtime: this process has real-time priority.
        reported: the system reports any of this.
    """

    stopped: bool = False
    waited: float = 0.0
    used: float = 0.0
    rig: float = 0.0
    stolen: float = 0.0
    interrupts: float = 0.0
    memory: float = 0.0
    disk: float = 0.0
    faults: int = 0
    share: float = 0.0
    limit: float = 1.0
    realtime: bool = True
    reported: bool = True


def name_cause(pause_s: float, seen: Evidence) -> str:
    """Return the cause of a pause of ``pause_s``, as text."""
    least = SHARE * pause_s
    if seen.stopped:
        return "the rig host itself was stopped from outside (SIGSTOP) and continued"
    if not seen.reported:
        return "the system does not report the cause"
    if seen.stolen >= least:
        return "the hypervisor took the processor away (steal time)"
    if seen.faults and seen.memory + seen.disk >= least:
        return "memory was short: pages of the rig host had to be fetched from a disk"
    if seen.waited >= least:
        return _who_held(least, seen)
    if seen.used >= least:
        return "the rig host itself computed for this long"
    if seen.interrupts >= least:
        return "interrupts held the processor"
    if seen.memory >= least:
        return "memory was short: the system made programs wait for it"
    rest_s = _LIMIT_PERIOD_S * (1.0 - seen.limit)
    if seen.realtime and abs(pause_s - rest_s) < _LIKELY_REST * rest_s:
        return (
            f"probably the system's limit on real-time programs ({100 * seen.limit:.0f} % of a "
            "second): the pause had that length, and no other cause was counted"
        )
    return "the processor or its timer woke late"


def _who_held(least: float, seen: Evidence) -> str:
    if seen.rig >= least:
        return f"the simulated rig held their processor for {1e3 * seen.rig:.0f} ms"
    rest_s = _LIMIT_PERIOD_S * (1.0 - seen.limit)
    by_length = abs(seen.waited - rest_s) < _LIKE_REST * rest_s
    if seen.realtime and (seen.share >= _NEAR_LIMIT * seen.limit or by_length) and rest_s > 0.0:
        return (
            f"the system's limit on real-time programs ({100 * seen.limit:.0f} % of a second); "
            f"rig host and simulated rig had used {100 * seen.share:.0f} %"
        )
    why = "" if seen.realtime else ", and the rig host has no real-time priority"
    return f"another program held the processor{why}"


class _Counted:
    """Counters at one moment, and their usual increase per second."""

    def __init__(
        self, at_s: float, values: tuple[float, ...], usual: tuple[float, ...] = ()
    ) -> None:
        self.at_s = at_s
        self.values = values
        self.usual = usual or (0.0,) * len(values)

    def then(self, now_s: float, values: tuple[float, ...]) -> _Counted:
        """Return the counters at a later moment."""
        past_s = now_s - self.at_s
        if past_s <= 0.0:
            return self
        seen = (b - a for a, b in zip(self.values, values, strict=True))
        # The mean of the seen and the usual increase: a single pause does not become usual.
        usual = ((a / past_s + b) / 2 for a, b in zip(seen, self.usual, strict=True))
        return _Counted(now_s, values, tuple(usual))

    def more(self, now_s: float, values: tuple[float, ...], pause_s: float) -> tuple[float, ...]:
        """Return the increase since then beyond the usual one."""
        quiet_s = max(0.0, now_s - self.at_s - pause_s)
        return tuple(
            max(0.0, b - a - quiet_s * usual)
            for a, b, usual in zip(self.values, values, self.usual, strict=True)
        )


class PauseWitness:
    """Counters of this process and its processor.

    Call ``wake`` at each wake-up, ``look`` at each heartbeat and ``explain`` for a pause. A pause
    that no counter accounts for was sleep: the processor or its timer woke late.

    Args:
        rig: process number of the simulated rig; None for real hardware.
    """

    def __init__(self, rig: int | None = None) -> None:
        self._files: dict[str, int] = {}
        self._rig = f"/proc/{rig}/schedstat" if rig is not None else ""
        pressures = [_PRESSURE + name for name in ("memory", "io")]
        for path in (_SCHEDSTAT, _STAT, *pressures, self._rig):
            try:
                self._files[path] = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
            except OSError:
                continue  # not Linux, or hidden: this cause stays unknown
        self.limit = _realtime_limit()
        self._continued_s = -math.inf
        self._used_s = self._used_before_s = _thread_time()  # at the last two wake-ups
        self._share = 0.0
        now_s = time.monotonic()
        self._fast = _Counted(now_s, self._fast_counters())
        self._slow = _Counted(now_s, self._slow_counters())
        self._taken = self._taken_s()  # by rig host and simulated rig, at that moment

    def close(self) -> None:
        """Close the counters."""
        while self._files:
            os.close(self._files.popitem()[1])

    def continued(self) -> None:
        """Note that this process was stopped and continued; call it at SIGCONT."""
        self._continued_s = time.monotonic()

    def wake(self) -> None:
        """Note the processor time used so far (takes about 0.5 us)."""
        self._used_before_s, self._used_s = self._used_s, _thread_time()

    def look(self, now_s: float) -> None:
        """Note the counters (takes about 20 us, and 80 us once per ``LOOK_S``)."""
        self._fast = self._fast.then(now_s, self._fast_counters())
        past_s = now_s - self._slow.at_s
        if past_s >= LOOK_S:
            self._slow = self._slow.then(now_s, self._slow_counters())
            taken = self._taken_s()
            self._share, self._taken = (taken - self._taken) / past_s, taken

    def explain(self, pause_s: float, now_s: float) -> str:
        """Return, as text, the cause of a pause that ended with the latest ``wake``."""
        return name_cause(pause_s, self.evidence(pause_s, now_s))

    def evidence(self, pause_s: float, now_s: float) -> Evidence:
        """Return the counts over a pause that ended with the latest ``wake``.

        The usual increase over the rest of the time since the last look is subtracted.
        """
        past_s = now_s - self._slow.at_s
        lately = (self._taken_s() - self._taken) / past_s if past_s >= 0.25 * LOOK_S else 0.0
        waited, rig = self._fast.more(now_s, self._fast_counters(), pause_s)
        stolen, interrupts, memory, disk, faults = self._slow.more(
            now_s, self._slow_counters(), pause_s
        )
        return Evidence(
            stopped=self._continued_s >= now_s - pause_s - PAUSE_S,
            waited=waited,
            used=self._used_s - self._used_before_s,
            rig=rig,
            stolen=stolen,
            interrupts=interrupts,
            memory=memory,
            disk=disk,
            faults=round(faults),
            share=max(self._share, lately),
            limit=self.limit,
            realtime=_has_priority(),
            reported=bool(self._files),
        )

    def _taken_s(self) -> float:
        own, rig = (_times(self._read(path, 128))[0] for path in (_SCHEDSTAT, self._rig))
        return own + rig

    def _fast_counters(self) -> tuple[float, ...]:
        """Return the time that this process waited and the simulated rig used, in s from any origin."""
        return _times(self._read(_SCHEDSTAT, 128))[1], _times(self._read(self._rig, 128))[0]

    def _read(self, path: str, most: int) -> bytes:
        file = self._files.get(path)
        if file is None:
            return b""
        try:
            return os.pread(file, most, 0)
        except OSError:  # its process has ended
            return b""

    def _slow_counters(self) -> tuple[float, ...]:
        """Return stolen, interrupts, memory, disk in s and the pages fetched, from any origin."""
        stolen, interrupts = _processor_times(self._read(_STAT, _STAT_BYTES))
        memory, disk = (_stalled_s(self._read(_PRESSURE + name, 256)) for name in ("memory", "io"))
        return stolen, interrupts, memory, disk, float(_pages_fetched())


def _times(schedstat: bytes) -> tuple[float, float]:
    """Return (used, waited) in s; 0 where the system reports none."""
    fields = schedstat.split()
    return (int(fields[0]) * 1e-9, int(fields[1]) * 1e-9) if len(fields) > 1 else (0.0, 0.0)


def _processor_times(stat: bytes) -> tuple[float, float]:
    """Return (stolen, in interrupts) in s for the processor this process is bound to, or for all."""
    bound = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set()
    name = b"cpu%d " % next(iter(bound)) if len(bound) == 1 else b"cpu "
    for line in stat.split(b"\n"):
        if line.startswith(name):
            # After the name: user nice system idle iowait irq softirq steal.
            fields = line.split()
            if len(fields) > 8:
                tick_s = 1.0 / os.sysconf("SC_CLK_TCK")
                return int(fields[8]) * tick_s, (int(fields[6]) + int(fields[7])) * tick_s
    return 0.0, 0.0


def _stalled_s(pressure: bytes) -> float:
    """Return the time in s in which some program waited, from a pressure file's first line."""
    _, found, total = pressure.split(b"\n", 1)[0].partition(b"total=")
    return int(total) * 1e-6 if found else 0.0


def _pages_fetched() -> int:
    try:
        import resource
    except ImportError:
        return 0
    return resource.getrusage(resource.RUSAGE_SELF).ru_majflt


def _has_priority() -> bool:
    if not hasattr(os, "sched_getscheduler"):
        return False
    return os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK in (os.SCHED_FIFO, os.SCHED_RR)


def _realtime_limit() -> float:
    """Return the share of a second that real-time programs may take; 1 for no limit."""
    try:
        with open(_LIMIT.format("runtime")) as runtime, open(_LIMIT.format("period")) as period:
            allowed, of = int(runtime.read()), int(period.read())
    except (OSError, ValueError):
        return 1.0
    return allowed / of if 0 < allowed < of else 1.0
