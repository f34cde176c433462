"""Growth of memory and drift of force are judged as the program of long sessions promises."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from endurance import Seen, judge


def seen(kB_an_hour: float, off_N: float) -> Seen:
    hours = [0.1 * n for n in range(41)]
    return Seen(
        rss=[(h, 1e5 + kB_an_hour * h) for h in hours],
        errors=[(h, off_N if h > 3.0 else 0.1, 4.0) for h in hours],
    )


def test_growth_and_drift_are_told_and_nothing_else() -> None:
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
