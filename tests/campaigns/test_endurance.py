"""Growth of memory and drift of force are judged as the endurance campaign states."""

from __future__ import annotations

import gc
import sys
import tracemalloc
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from endurance import Seen, judge


def seen(kB_an_hour: float, off_N: float) -> Seen:
    found = Seen()
    for hours in (0.1 * n for n in range(41)):
        found.take_memory(hours, 1e5 + kB_an_hour * hours)
        found.take_spell(hours, off_N if hours > 3.0 else 0.1, 4.0)
    return found


def test_growth_and_drift_are_reported_and_nothing_else() -> None:
    lines, bad = judge(seen(20.0, 1.0))
    assert bad == []
    assert "97.7 MB at its end" in lines[1] and "hour 2" in lines[2]
    assert judge(seen(500.0, 1.0))[1] == ["memory grows by 500 kB an hour, above 100"]
    (drifted,) = judge(seen(0.0, 5.0))[1][:1]
    assert drifted.startswith("hour 4: force is")


def test_hours_without_power_are_no_endurance() -> None:
    idle = seen(0.0, 1.0)
    idle.sessions, idle.refused, idle.refusal = 8142, 7900, "the reference is lost"
    assert judge(idle)[1] == ["7900 of 8142 sessions without power: the reference is lost"]


def test_readings_take_no_memory_worth_judging() -> None:
    # Ten spells in each of 130 sessions an hour: 190 kB an hour as a list of floats.
    found = Seen()
    for n in range(60):
        found.take_memory(n / 60, 1e5)
    gc.collect()
    before = len(gc.get_objects())
    tracemalloc.start()
    for n in range(1300):
        found.take_spell(1.0 + n / 1300, 0.01 * n, 4.0)
    grown = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert grown < 4096
    assert len(gc.get_objects()) - before < 20
    assert found.hours[1].spells == 1300 and found.hours[1].inside == 401
