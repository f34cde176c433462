"""A person at the simulated rig: hands, eyes, and honest answers."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from drivers.simulated import MOST_BY_HAND_N, RigParameters
from hil.procedures.procedure import Choose, Hand, ProcedureFailed, Read, RequireHoldToRun

CALIPER_M = 1e-5  # digital step of a caliper (0.01 mm, ISO 13385-1)
BALANCE_N = 0.02  # resolution of a 10 N spring balance; common practice, no source
OHM_STEP, OHM_NOISE = 1e-5, 2e-5  # of a four-wire meter on a tenth of an ohm; invented
TURNS_PER_S = 0.5
EASE = 0.7  # of the most a hand can do
SETTLES_S = 0.2
LOWERS_S = 1.6
GRIPS_S = 0.02  # from taking the clamp off to turning
YES, NO, CANNOT_TELL = "yes", "no", "cannot tell"


class RigHands(Protocol):
    """Manual actions at a simulated rig, in this process or behind its simulation control."""

    def push(self, force_N: float, frequency_Hz: float = 0.0, duration_s: float = 0.0) -> None: ...
    def turn_screw(self, turns: float, turns_per_s: float = 1.0) -> None: ...
    def hold_screw(self, held: bool) -> None: ...
    def hold_output(self, held: bool) -> None: ...
    def support_load(self, supported: bool) -> None: ...
    def wiggle_cable(self, duration_s: float) -> None: ...
    def emergency_stop(self, pressed: bool) -> None: ...
    def state(self) -> dict[str, float]: ...


@dataclass(frozen=True)
class LoadCell:
    """A reference load cell with its own errors; all figures invented.

    Attributes:
        scale: reading over force. zero_N: reading without force. noise_N: standard deviation
            from reading to reading. step_N: of its indicator.
    """

    scale: float = 1.0006
    zero_N: float = 0.03
    noise_N: float = 0.05
    step_N: float = 0.1
    seed: int = 1


class SimulatedOperator:
    """Implementation of ``hil.procedures.procedure.Operator`` on a simulated rig.

    Args:
        environment: environment of the rig, or an ``EnvironmentClient``.
        parameters: parameters of the rig as it really is; questions are answered from them.
        turns_per_s: speed at which the screw is turned, unless the motor resists.
        cell: the reference load cell that is put in line with the rod.
    """

    def __init__(
        self,
        environment: RigHands,
        parameters: RigParameters,
        turns_per_s: float = TURNS_PER_S,
        cell: LoadCell = LoadCell(),
    ) -> None:
        self._cell, self._chance = cell, random.Random(cell.seed)
        self._meter_chance = random.Random(f"ohmmeter {cell.seed}")
        self._most_turns_per_s = turns_per_s
        self._hands = environment
        self._parameters = parameters
        self._gripping = False
        self._let_go_after_s = math.inf
        self._lets_go_at_s = math.inf

    # -- the hold-to-run control ----------------------------------------------------------

    def let_go(self, after_s: float = 0.0) -> None:
        """Release the hold-to-run control, once, ``after_s`` of rig time after it is held.

        If it is held already, the time counts from now. It is held again the next time that it is
        required.
        """
        self._let_go_after_s = after_s
        if self._gripping:
            self._plan()

    @property
    def holding(self) -> bool:
        if self._gripping and self._now_s() >= self._lets_go_at_s:
            self._gripping = False
            self._lets_go_at_s = math.inf
        return self._gripping

    def hold_to_run(self, wanted: RequireHoldToRun) -> bool:
        self._gripping = wanted.on
        self._lets_go_at_s = math.inf
        if wanted.on and self._let_go_after_s < math.inf:
            self._plan()
        return True

    def _plan(self) -> None:
        self._lets_go_at_s = self._now_s() + self._let_go_after_s
        self._let_go_after_s = math.inf

    def _now_s(self) -> float:
        # A request to a rig in another process takes time: only while a release is planned.
        return self._hands.state()["time_s"] if self._lets_go_planned else -math.inf

    @property
    def _lets_go_planned(self) -> bool:
        return min(self._let_go_after_s, self._lets_go_at_s) < math.inf

    # -- hands -------------------------------------------------------------------------

    def act(self, hand: Hand) -> float:
        doing: dict[str, Callable[[], float]] = {
            "turn_screw": lambda: self._turn(hand.amount),
            "hold_screw": self._hold_screw,
            "let_screw_go": self._let_screw_go,
            "push_load": lambda: self._push(hand.amount),
            "let_load_go": lambda: self._push(0.0),
            "hold_output": lambda: self._then(self._hands.hold_output, True),
            "let_output_go": lambda: self._then(self._hands.hold_output, False),
            "wiggle_cable": lambda: self._wiggle(hand.amount),
            "press_stop": lambda: self._then(self._hands.emergency_stop, True),
            "release_stop": lambda: self._then(self._hands.emergency_stop, False),
            "support_load": lambda: self._then(self._hands.support_load, True),
            "free_load": self._lower_load,
        }
        try:
            return doing[hand.act]()
        except ValueError as refusal:
            raise ProcedureFailed(f"{hand.act.replace('_', ' ')}: {refusal}") from None

    def _then(self, do: Callable[[bool], None], how: bool) -> float:
        do(how)
        return SETTLES_S

    def _turn(self, turns: float) -> float:
        pace = self._turns_per_s()
        self._hands.turn_screw(turns, pace)
        # The hand slows down before the end, so that the springs do not push back far.
        return 1.2 * abs(turns) / pace + 0.35

    def _turns_per_s(self) -> float:
        """Return the speed that a hand manages: a motor with shorted windings resists."""
        p = self._parameters
        if p.off_state != "shorted":
            return self._most_turns_per_s
        per_m = 2 * math.pi / p.screw_lead_m
        resists = p.torque_constant_N_m_A**2 / p.winding_resistance_ohm * per_m**2
        # On a vertical slide the hand lifts the carriage as well.
        lifts = p.rig == "linear" and p.linear_vertical
        weight_N = p.carriage_mass_kg * p.gravity_m_s2 if lifts else 0.0
        left_N = MOST_BY_HAND_N - p.friction_breakaway_N_m * per_m - weight_N
        return min(self._most_turns_per_s, max(0.05, EASE * left_N / resists / p.screw_lead_m))

    def _let_screw_go(self) -> float:
        self._hands.hold_screw(False)
        return GRIPS_S

    def _hold_screw(self) -> float:
        self._hands.turn_screw(0.0)
        return self._then(self._hands.hold_screw, True)

    def _lower_load(self) -> float:
        self._hands.support_load(False)
        return LOWERS_S

    def _push(self, force_N: float) -> float:
        self._hands.push(force_N)
        return 2 * SETTLES_S

    def _wiggle(self, seconds: float) -> float:
        self._hands.wiggle_cable(seconds)
        return seconds

    # -- eyes --------------------------------------------------------------------------

    def read(self, question: Read) -> float:
        state = self._hands.state()
        if question.quantity == "balance_N":
            p = self._parameters
            arms = 1.0 if p.rig == "linear" else p.load_arm_m / p.rod_arm_m
            # The balance carries the difference of weight and spring force.
            pull = (state["load_N"] - state["spring_force_N"]) / arms
            return _stepped(pull, BALANCE_N)
        if question.quantity == "cell_N":
            cell = self._cell
            reads = cell.zero_N + cell.scale * state["spring_force_N"]
            return _stepped(reads + self._chance.gauss(0.0, cell.noise_N), cell.step_N)
        if question.quantity == "winding_ohm":
            return _stepped(
                state["winding_ohm"] + self._meter_chance.gauss(0.0, OHM_NOISE), OHM_STEP
            )
        return _stepped(state[question.quantity], CALIPER_M)

    def choose(self, question: Choose) -> str:
        """Return the honest answer to the subject ``question.about``, or an empty text.

        Known: ``regeneration``; ``stop_wired``; ``load_supported``; and ``drive_limit NAME MOST``
        with NAME as in ``drivers.base.Capabilities.own_limits``: whether the drive's own limit is
        at most MOST.
        """
        about, *more = question.about.split()
        answers: Mapping[str, Callable[[], bool]] = {
            "regeneration": lambda: self._parameters.supply_takes_regeneration,
            "stop_wired": lambda: True,
            "load_supported": lambda: True,
            "drive_limit": lambda: self._own_limits()[more[0]] <= float(more[1]),
        }
        if about not in answers:
            return ""
        answer = YES if answers[about]() else NO
        return answer if answer in question.options else ""

    def _own_limits(self) -> dict[str, float]:
        p = self._parameters
        return {
            "torque_N_m": p.drive_max_torque_N_m,
            "current_A": p.drive_max_torque_N_m / p.stated_torque_constant_N_m_A,
            "speed_rad_s": p.drive_overspeed_rad_s,
            "supply_high_V": p.drive_overvoltage_V,
            "supply_low_V": p.drive_undervoltage_V,
            "temperature_degC": p.drive_overtemperature_degC,
        }


def _stepped(value: float, step: float) -> float:
    return round(value / step) * step
