"""Benches of the fault campaign: rigs, loads, behaviours, and the states in which faults occur."""

from __future__ import annotations

import copy
import functools
import os

from hil.bench.lockstep import LockstepBench
from hil.core import State
from hil.core.requests import (
    Apply,
    Behaviour,
    ConstantForce,
    Float,
    HoldPosition,
    PowerOn,
    VirtualSpring,
    Waveform,
)
from hil.profile.devices import varied_simulation
from hil.profile.loader import load_profile
from hil.profile.schema import Profile

# Profile of the rigs, a footplate trainer over any source; spawned processes inherit it.
PROFILE = os.environ.get("FAULT_CAMPAIGN_PROFILE", "footplate_trainer")
LOADS_KG = (0.0, 2.5, 7.5)
MIDDLE_M = 0.027
STANDBY, DE_ENERGISED = "standby", "de-energised"
RIGS = 3  # as described; friction and noise off by up to a fifth; that with lost frames as well
LOST_FRAMES = 0.02  # share of the cyclic frames, each way
OFF_S = 1.6  # from the start of the rig host to power: shorter than any person takes


def behaviours(balance_N: float) -> dict[str, Behaviour]:
    """Return all behaviours, about mid-stroke and the force that bears the load."""
    return {
        "float": Float(damping_N_s_m=100.0),
        "constant force": ConstantForce(force_N=balance_N, damping_N_s_m=100.0),
        **{
            f"{name} spring": VirtualSpring(
                rest_m=MIDDLE_M, stiffness_N_m=stiffness, damping_N_s_m=damping, bias_N=balance_N
            )
            for name, stiffness, damping in (
                ("soft", 5e3, 100.0),
                ("medium", 40e3, 200.0),
                ("stiff", 100e3, 300.0),
            )
        },
        "hold position": HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06),
        "waveform": Waveform(
            of="rest",
            shape="sine",
            offset=MIDDLE_M,
            amplitude=0.008,
            frequency_Hz=1.0,
            duration_s=60.0,
            stiffness_N_m=30e3,
            damping_N_s_m=150.0,
        ),
    }


BEHAVIOURS = (*behaviours(0.0), STANDBY, DE_ENERGISED)


def rig_profile(rig: int) -> Profile:
    """Return the profile of a rig whose springs are as the calibration states."""
    profile = load_profile(PROFILE)
    if rig == 0:
        return profile
    made = varied_simulation(profile, rig)
    assert made.simulation is not None
    springs = ("spring_rate_push_N_m", "spring_rate_pull_N_m")
    actual = {k: v for k, v in made.simulation.actual.items() if k not in springs}
    if rig == RIGS - 1:
        actual["bus_loss"] = LOST_FRAMES
    simulation = made.simulation.model_copy(update={"actual": actual})
    return made.model_copy(update={"simulation": simulation})


@functools.cache
def _off(load_kg: float, rig: int) -> LockstepBench:
    bench = LockstepBench(rig_profile(rig))
    bench.environment.hang(load_kg)
    bench.run(OFF_S)
    return bench


@functools.cache
def _standby(load_kg: float, rig: int) -> LockstepBench:
    bench = copy.deepcopy(_off(load_kg, rig))
    bench.request(PowerOn(load_supported=True))
    bench.run(0.2)
    return bench


@functools.cache
def _standing(load_kg: float, rig: int) -> LockstepBench:
    """Return a bench that holds mid-stroke under a load."""
    bench = copy.deepcopy(_standby(load_kg, rig))
    bench.request(Apply(behaviour=HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06)))
    bench.run(1.3)
    return bench


@functools.cache
def running(behaviour: str, load_kg: float, rig: int) -> LockstepBench:
    """The same with a behaviour just applied, or a bench in standby, or without power.

    Raises:
        RuntimeError: it is stopped without a fault.
    """
    if behaviour == DE_ENERGISED:
        return _off(load_kg, rig)
    bench = _standby(load_kg, rig)
    if behaviour != STANDBY:
        bench = copy.deepcopy(_standing(load_kg, rig))
        chosen = behaviours(bench.bench.supervisor.balance_N)[behaviour]
        answer = bench.request(Apply(behaviour=chosen, load_may_move=True))
        if not answer.accepted:
            raise RuntimeError(f"{behaviour}, {load_kg:g} kg, rig {rig}: {answer.text}")
    if bench.bench.state not in (State.STANDBY, State.RUNNING):
        raise RuntimeError(f"{load_kg:g} kg, rig {rig}: {bench.bench.cause_text or 'not powered'}")
    return bench
