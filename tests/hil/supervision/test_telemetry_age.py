"""Ages of single quantities: which trip, which refuse power, and the texts."""

from __future__ import annotations

import math

import pytest

from drivers.base import Telemetry
from drivers.simulated import Lateness
from hil.bench.lockstep import LockstepBench
from hil.core.requests import PowerOn
from hil.profile.schema import Profile
from hil.supervision import telemetry_age

MOST_S = 0.005


def test_power_is_refused_with_quantity_age_and_limit(footplate: Profile) -> None:
    bench = LockstepBench(footplate, seed=3)
    bench.run(0.1)
    bench.environment.disturb("slow_values_silent", 1)
    bench.run(0.2)
    outcome = bench.request(PowerOn(load_supported=True))
    assert not outcome.accepted
    assert "the drive's value of supply, temperature is 200.00 ms old" in outcome.text
    assert "above 40 ms" in outcome.text
    bench.environment.disturb("slow_values_silent", None)
    bench.run(0.2)
    assert bench.request(PowerOn(load_supported=True)).accepted


@pytest.mark.parametrize(
    ("telemetry", "text"),
    [
        (Telemetry(age_s=0.007, deflection_age_s=0.0), "the drive's sample is 7.00 ms old"),
        (Telemetry(age_s=0.0, deflection_age_s=0.009), "the deflection sensor's value is 9.00 ms"),
        (Telemetry(age_s=0.0, deflection_age_s=math.nan), "the deflection sensor's value"),
        (Telemetry(age_s=math.nan, deflection_age_s=0.0), "the drive's sample"),
        (
            Telemetry(
                age_s=0.0,
                deflection_age_s=0.0,
                silent_name="status",
                silent_age_s=0.41,
                silent_limit_s=0.4,
            ),
            "the drive's value of status is 410.00 ms old, above 400 ms",
        ),
        (
            Telemetry(
                age_s=0.0,
                deflection_age_s=0.0,
                silent_name="fault",
                silent_age_s=1e9,
                silent_limit_s=0.4,
            ),
            "the drive's value of fault has never arrived",
        ),
    ],
)
def test_the_sentence_names_what_is_stale(telemetry: Telemetry, text: str) -> None:
    assert telemetry_age.stale(telemetry, MOST_S)
    assert text in telemetry_age.sentence(telemetry, MOST_S)


def test_fresh_values_are_not_stale() -> None:
    assert not telemetry_age.stale(Telemetry(age_s=0.001, deflection_age_s=0.004), MOST_S)


def test_late_cycles_alone_make_no_quantity_silent(footplate: Profile) -> None:
    lateness = Lateness(share=0.05, up_to_s=0.005, pause_s=0.06, pause_every_s=0.5)
    bench = LockstepBench(footplate, seed=3, lateness=lateness)
    for _ in range(3000):
        bench.step()
        assert bench.drive.telemetry.silent_name == ""
    assert bench.late_cycles > 100
