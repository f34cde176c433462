"""Rates beyond 1 kHz: the force loop, also with late cycles, and checks relative to the period."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drivers.simulated import Lateness
from hil.bench import LockstepBench
from hil.core import Apply, ConstantForce, PowerOn, State
from hil.link import LinkServer
from hil.profile import Profile, ProfileError, load_profile, profile_from_dict, profile_to_dict
from hil.profile.loader import SHIPPED

FORCE_N = 210.0


def at_rate(rate_Hz: float) -> Profile:
    data = profile_to_dict(load_profile("treadle_lines"))
    data["control"]["rate"] = rate_Hz
    return profile_from_dict(data)


@pytest.mark.parametrize("rate_Hz", [2000.0, 5000.0])
@pytest.mark.parametrize("share", [0.0, 0.05])
def test_a_force_setpoint_is_followed(rate_Hz: float, share: float) -> None:
    late = Lateness(share=share, up_to_s=0.005) if share else None
    bench = LockstepBench(at_rate(rate_Hz), seed=3, lateness=late)
    bench.environment.hang(2.5)
    bench.run(0.1)
    bench.request(PowerOn(load_supported=True))
    bench.run(0.2)
    force = ConstantForce(force_N=FORCE_N, damping_N_s_m=600.0)
    assert bench.request(Apply(behaviour=force, load_may_move=True)).accepted
    rows = bench.run(0.8)
    assert rows[-1].state == State.RUNNING, bench.bench.cause_text
    assert bench.late_cycles <= 2 * share * bench.cycle  # caught up after each late cycle
    off = [row.spring_force_N - row.setpoint_force_N for row in rows[len(rows) // 2 :]]
    assert np.sqrt(np.mean(np.square(off))) < 0.02 * FORCE_N


def test_the_wire_says_beforehand_whether_it_carries_the_rate(tmp_path: Path) -> None:
    board = (SHIPPED / "drives" / "treadle_lines.yaml").read_text()
    for baud, rate_Hz, fits in ((2_000_000, 5000, False), (3_000_000, 5000, True)):
        (tmp_path / "board.yaml").write_text(board.replace("baud: 1000000", f"baud: {baud}"))
        (tmp_path / "fast.yaml").write_text(
            f"based_on: treadle_lines.yaml\nname: fast\ncontrol: {{rate: {rate_Hz} Hz}}\n"
            "drive: board.yaml\n"
        )
        if fits:
            assert load_profile(tmp_path / "fast.yaml").control.rate == rate_Hz
            continue
        with pytest.raises(ProfileError, match=r"port\.baud.*set control\.rate to 33\d\d Hz"):
            load_profile(tmp_path / "fast.yaml")


@pytest.mark.parametrize(("rate_Hz", "us"), [(500.0, 60.0), (1000.0, 60.0), (5000.0, 12.0)])
def test_receiving_from_clients_takes_a_share_of_the_period(
    tmp_path: Path, rate_Hz: float, us: float
) -> None:
    server = LinkServer(tmp_path / "link", {"rate_hz": rate_Hz}, 0.15)
    assert 1e6 * server.receive_s == pytest.approx(us)
    server.close()
