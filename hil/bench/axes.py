"""Several benches of one machine: each knows the others, and a stop of one stops all."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from hil.bench.cycle import Bench
from hil.core import AxisSeen, Cause, State, label


class TiedBenches:
    """Benches of one machine, by axis, in the order of their cycles.

    Before the cycles of a turn call :meth:`before`, after them :meth:`after`.
    """

    def __init__(self, benches: Mapping[str, Bench]) -> None:
        self._benches = dict(benches)
        for name, bench in benches.items():
            bench.axis = name
            bench.others = {
                other: AxisSeen(follows=partial(_followed, one))
                for other, one in benches.items()
                if other != name
            }
        self.before()

    def before(self) -> None:
        """Give each bench the last sample and the state of the others."""
        for bench in self._benches.values():
            for name, seen in bench.others.items():
                other = self._benches[name]
                row = other.row
                seen.output_m = row.output_position_m
                seen.force_N = row.spring_force_N
                seen.time_s = row.time_s - row.telemetry_age_s
                seen.stopped = other.state is State.STOPPED

    def after(self) -> None:
        """Stop every powered axis while another is stopped; the next commands obey.

        The check repeats each cycle: power may come on in the same cycle in which another axis
        stops.
        """
        for name, stopped in self._benches.items():
            if stopped.state is not State.STOPPED:
                continue
            for other in self._benches.values():
                if other.powered:
                    cause = label(stopped.cause)
                    why = f"axis '{name}' stopped ({cause}): {stopped.cause_text}"
                    other.stop(Cause.OTHER_AXIS, why)

    def cut_short(self, name: str) -> None:
        """Remove power now from axes that still brake: stop was pressed again on axis ``name``."""
        for other, bench in self._benches.items():
            if other != name and bench.controlled_stop.running:
                bench.stop(Cause.OPERATOR, f"stop was pressed on axis '{name}'")


def _followed(bench: Bench) -> str:
    """Return the axis that a bench follows now, '' for none; requests run between the cycles."""
    return bench.follows
