"""Tell why a cycle came late, from counters that the kernel keeps (Linux)."""

from __future__ import annotations

import os
import time

PAUSE_S = 0.005  # from which a late cycle is explained
LOOK_S = 1.0  # between looks at the counters
SHARE = 0.5  # of a pause that one cause must fill to be named


class PauseWitness:
    """Counters of this process and its processor; ``look`` now and then, ``explain`` a pause.

    Three counters tell pauses apart: how long this process waited for its processor although it
    could run (``/proc/self/schedstat``), how long the machine below had taken the processor away
    (steal time, ``/proc/stat``), and how much processor time this process itself has used. What
    is left was sleep: the processor or its timer woke late.
    """

    def __init__(self) -> None:
        self._files: dict[str, int] = {}
        for path in ("/proc/self/schedstat", "/proc/stat"):
            try:
                self._files[path] = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
            except OSError:
                continue  # not Linux, or hidden: the cause then stays unknown
        self._next_s = 0.0
        self._seen = self._counters()

    def close(self) -> None:
        """Close the counters."""
        while self._files:
            os.close(self._files.popitem()[1])

    def look(self, now_s: float) -> None:
        """Note the counters, at most once in ``LOOK_S``; some 30 us."""
        if now_s >= self._next_s:
            self._next_s = now_s + LOOK_S
            self._seen = self._counters()

    def explain(self, pause_s: float) -> str:
        """Return in words what a pause of ``pause_s`` was, from the counters since the last look."""
        before, now = self._seen, self._counters()
        self._seen = now
        waited, stolen, used = (b - a for a, b in zip(before, now, strict=True))
        least = SHARE * pause_s
        if stolen >= least:
            return "the machine below took the processor away (steal time)"
        if waited >= least:
            return "another program or the limit on real-time programs held the processor"
        if used >= least:
            return "the rig host itself worked for so long"
        if not self._files:
            return "the system does not tell why"
        return "the processor or its timer woke late"

    def _counters(self) -> tuple[float, float, float]:
        """(waited, stolen, used) in s since some moment; 0 for what the system does not tell."""
        waited = stolen = 0.0
        if file := self._files.get("/proc/self/schedstat"):
            fields = os.pread(file, 128, 0).split()
            waited = int(fields[1]) * 1e-9 if len(fields) > 1 else 0.0
        if file := self._files.get("/proc/stat"):
            # The first line sums up all processors: user nice system idle iowait irq softirq steal.
            fields = os.pread(file, 256, 0).split(b"\n", 1)[0].split()
            stolen = int(fields[8]) / os.sysconf("SC_CLK_TCK") if len(fields) > 8 else 0.0
        return waited, stolen, time.process_time()
