"""One stage of closing the force loop: what was measured at a bandwidth, beside the design."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.bringup.step import Plot, Trace
from hil.bringup.under_power import Floats


@dataclass(frozen=True)
class Stage:
    """One bandwidth: frequencies in Hz, measured and predicted response, force at rest in N.

    ``smoothing`` is the part of both that lies before the loop; ``calls_up_N`` the force on
    the nut that an error of the wave's size demands.
    """

    bandwidth_Hz: float
    frequencies_Hz: Floats
    measured: tuple[complex, ...]
    predicted: tuple[complex, ...]
    smoothing: tuple[complex, ...]
    restless_N: float
    calls_up_N: float

    @property
    def peak(self) -> float:
        """Closed-loop peak, with the design's own smoothing of the reference divided out."""
        return max(abs(m / s) for m, s in zip(self.measured, self.smoothing, strict=True))

    @property
    def reached_Hz(self) -> float:
        """Frequency at −3 dB; the last frequency tried if it is not reached."""
        sizes = [abs(m) * math.sqrt(2) for m in self.measured]
        for i in range(1, len(sizes)):
            if sizes[i] < 1 <= sizes[i - 1]:
                share = (sizes[i - 1] - 1) / (sizes[i - 1] - sizes[i])
                low, high = self.frequencies_Hz[i - 1], self.frequencies_Hz[i]
                return float(low + share * (high - low))
        return float(self.frequencies_Hz[-1] if sizes[-1] >= 1 else self.frequencies_Hz[0])

    @property
    def margin_deg(self) -> float:
        """Lower bound of the phase margin, from the peak."""
        return math.degrees(2 * math.asin(min(1.0, 1 / (2 * self.peak)))) if self.peak > 0 else 0.0


def plot_of(stages: list[Stage]) -> Plot:
    """Return the size of force over setpoint at each stage, beside the design's."""
    lines = []
    for stage in stages:
        name = f"{stage.bandwidth_Hz:.1f} Hz"
        lines.append(Trace(name, stage.frequencies_Hz, np.array([abs(m) for m in stage.measured])))
        lines.append(
            Trace(
                f"{name}, design", stage.frequencies_Hz, np.array([abs(p) for p in stage.predicted])
            )
        )
    return Plot("Force over setpoint", "frequency (Hz)", "size", tuple(lines))
