"""A manual session, recorded as a sequence file.

Times are rounded to 0.1 s below 10 s, to 0.5 s below a minute and to 1 s above, values to four
significant digits: no hand repeats more precisely.
"""

from __future__ import annotations

import os
from collections.abc import Sequence as Seq
from dataclasses import dataclass, field
from pathlib import Path

from drivers.motion import DAMPING, FORCE, LENGTH, SPEED, STIFFNESS
from hil.core import (
    Apply,
    Behaviour,
    ConstantForce,
    Float,
    HoldPosition,
    Marker,
    PowerOff,
    PowerOn,
    Request,
    Stop,
    Tare,
    VirtualSpring,
    Waveform,
)

SUPERSEDED_S = 0.3  # a behaviour replaced sooner by one of its kind was only an intermediate value
SHORTEST_S = 0.1


@dataclass
class _Line:
    time_s: float
    do: str
    keys: dict[str, str] = field(default_factory=dict)

    @property
    def lasts(self) -> bool:
        return self.do not in ("power_on", "power_off", "tare", "marker")


class TakenDown:
    """Requests that the bench has accepted, with their times, as steps.

    Attributes:
        ended: True after power off or a stop; nothing more is recorded.
        left_out: requests that no step can express, as text.
    """

    def __init__(self) -> None:
        self._lines: list[_Line] = []
        self._tables: dict[str, tuple[tuple[float, float], ...]] = {}
        self._powered = self.ended = self._stopped = False
        self._ended_s = 0.0
        self.left_out: list[str] = []

    @property
    def count(self) -> int:
        """Number of steps so far."""
        return len(self._lines)

    def take(self, request: Request, time_s: float) -> None:
        """Record a request that was accepted at ``time_s``."""
        if self.ended:
            return
        if isinstance(request, PowerOn):
            self._powered = True
            self._lines.append(_Line(time_s, "power_on"))
        elif isinstance(request, PowerOff) and self._powered:
            self._powered = False
            self._lines.append(_Line(time_s, "power_off"))
            self._ended_s = time_s
        elif isinstance(request, Marker):
            self._lines.append(_Line(time_s, "marker", {"text": _quoted(request.text[:60])}))
        elif isinstance(request, Tare):
            if self._powered and any(line.lasts for line in self._lines):
                self.left_out.append("a tare under a behaviour")
            else:
                keys = {"clear": "true"} if request.clear else {}
                self._lines.append(_Line(time_s, "tare", keys))
        elif isinstance(request, Stop):
            self.stopped(time_s)
        elif isinstance(request, Apply):
            self._behaviour(request, time_s)

    def hang(self, mass_kg: float, time_s: float) -> None:
        """Record that a weight was hung on the simulated rig."""
        if not self.ended:
            self._lines.append(_Line(time_s, "hang", {"mass": f"{mass_kg:.4g} kg"}))

    def stopped(self, time_s: float) -> None:
        """End at a stop or a fault: the file ends there, without power."""
        if not self.ended:
            self.ended, self._ended_s = True, time_s

    def _behaviour(self, request: Apply, time_s: float) -> None:
        do, keys, points = _written(request.behaviour)
        if not do:
            self.left_out.append(request.behaviour.kind.replace("_", " "))
            return
        if request.load_may_move and do != "hold_position":
            keys["load_may_move"] = "true"
        if points:
            name = f"points_{len(self._tables) + 1}.csv"
            self._tables[name] = points
            keys["file"] = name
        if self._lines:
            last = self._lines[-1]
            if last.do == do and time_s - last.time_s < SUPERSEDED_S:
                time_s = self._lines.pop().time_s
        self._lines.append(_Line(time_s, do, keys))

    def text(self, name: str, profile: str, end_s: float) -> str:
        """Return the file's text.

        Raises:
            ValueError: nothing was recorded, or nothing under power.
        """
        if not any(line.do == "power_on" for line in self._lines):
            raise ValueError("nothing was done under power; power on, and apply a behaviour")
        end_s = self._ended_s if self.ended or not self._powered else end_s
        lines = [*self._lines]
        if self._powered:
            lines.append(_Line(end_s, "power_off"))
        out = [
            "# Recorded from a manual session; times and values are rounded.",
            f"name: {name}",
            f"profile: {profile}",
            "steps:",
        ]
        for line, after in zip(lines, [*lines[1:], _Line(end_s, "")], strict=True):
            lasted = rounded_s(after.time_s - line.time_s)
            out += _step(line, lasted)
        return "\n".join(out) + "\n"

    def write(self, file: Path, profile: str, end_s: float) -> None:
        """Write the sequence to ``file``, and the points of its waveforms next to it.

        Raises:
            ValueError: as :meth:`text`.
            OSError: it cannot be written, or exists already.
        """
        text = self.text(file.stem, profile, end_s)
        for name, points in self._tables.items():
            renamed = f"{file.stem}_{name}"
            rows = "".join(f"{time:.6g},{value:.6g}\n" for time, value in points)
            _write_new(file.with_name(renamed), "time_s,value\n" + rows)
            text = text.replace(f"file: {name}", f"file: {renamed}")
        _write_new(file, text)


def rounded_s(seconds: float) -> float:
    """Return a time as a person would write it, in s."""
    if seconds < 10.0:
        return round(max(seconds, 0.0), 1)
    return float(round(seconds)) if seconds >= 60.0 else round(2.0 * seconds) / 2.0


def _step(line: _Line, lasted_s: float) -> Seq[str]:
    keys = dict(line.keys)
    extra: list[str] = []
    if line.lasts:
        keys["for"] = f"{max(lasted_s, SHORTEST_S):g} s"
    elif lasted_s >= SHORTEST_S and line.do != "power_off":
        extra = ["  - do: wait", f"    for: {lasted_s:g} s"]
    if not keys:
        return [f"  - {line.do}", *extra]
    return [f"  - do: {line.do}", *(f"    {key}: {value}" for key, value in keys.items()), *extra]


def _written(behaviour: Behaviour) -> tuple[str, dict[str, str], tuple[tuple[float, float], ...]]:
    """Return the step of a behaviour, its keys, and its points; '' if no step can express it."""
    damping = {}
    if getattr(behaviour, "coupling", None) is not None:
        return "", {}, ()  # the sequence is of one axis
    if getattr(behaviour, "damping_N_s_m", 0.0):
        damping = {"damping": DAMPING.written(behaviour.damping_N_s_m, ".4g")}  # type: ignore[union-attr]
    if isinstance(behaviour, Float):
        return "float", damping, ()
    if isinstance(behaviour, ConstantForce):
        return "constant_force", {"force": _N(behaviour.force_N)} | damping, ()
    if isinstance(behaviour, VirtualSpring):
        keys = {
            "stiffness": f"{STIFFNESS(behaviour.stiffness_N_m):.4g}{STIFFNESS}",
            "rest": _mm(behaviour.rest_m),
        }
        if behaviour.bias_N:
            keys["bias"] = _N(behaviour.bias_N)
        return "virtual_spring", keys | damping, ()
    if isinstance(behaviour, HoldPosition):
        speed = f"{SPEED(behaviour.speed_m_s):.4g}{SPEED}"
        return "hold_position", {"position": _mm(behaviour.position_m), "speed": speed}, ()
    if isinstance(behaviour, Waveform):
        table = behaviour.shape == "table"
        keys = {"shape": "file" if table else behaviour.shape, "of": behaviour.of}
        size = _N if behaviour.of == "force" else _mm
        if not table:
            keys |= {"offset": size(behaviour.offset), "amplitude": size(behaviour.amplitude)}
        if behaviour.shape in ("sine", "sweep"):
            keys["frequency"] = f"{behaviour.frequency_Hz:.4g} Hz"
        if behaviour.shape == "sweep":
            keys["end_frequency"] = f"{behaviour.end_frequency_Hz:.4g} Hz"
        if behaviour.of == "rest":
            keys["stiffness"] = f"{STIFFNESS(behaviour.stiffness_N_m):.4g}{STIFFNESS}"
        return "waveform", keys | damping, behaviour.points
    return "", {}, ()


def _N(force: float) -> str:
    return f"{FORCE(force):.4g}{FORCE}"


def _mm(length: float) -> str:
    return f"{LENGTH(length):.4g}{LENGTH}"


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''").replace("\n", " ") + "'"


def _write_new(file: Path, text: str) -> None:
    with file.open("x", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
