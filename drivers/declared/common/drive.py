"""A drive made of one described board."""

from __future__ import annotations

import contextlib
import math
import time

from drivers.base import (
    USUAL_JITTER_S,
    AnswerJudge,
    Capabilities,
    Command,
    DriverError,
    Mode,
    PowerRequest,
    PowerStage,
    QuantityAges,
    Telemetry,
)
from drivers.capture import wires
from drivers.declared.common.board import NEVER, Board, Sample, commanded, timing_sample
from drivers.declared.common.sequences import Dialogue, Progress

FIRST_ANSWER_S = 1.5
# If any command resets the board's watch over its host, OFF pauses so that the watch can act.
BURST_S = 0.1
PAUSE_S = 0.1  # beyond the watch's own time
REPEAT_OFF_S = 0.02  # OFF is repeated until the board reports off
NEVER_HAPPENS_S = 1e9


class DeclaredDrive:
    """See ``drivers.base.Drive``; the board handles the wire.

    A board that reports no status is assumed energised once its ``energise`` sequence is complete;
    the capabilities report this.
    """

    capabilities: Capabilities
    timed_by_wires = True  # a recording also supplies the time

    def __init__(self, board: Board, period_s: float) -> None:
        self.board = board
        self.telemetry = Telemetry()
        self._period_s = period_s
        options = board.options
        self._options = options
        self._status = options.status
        self._dialogue = Dialogue(board, options.status)
        values = board.values
        missing = Sample()
        self._position = values.get("position", missing)
        self._velocity = values.get("velocity")
        self._torque = values.get("torque") or values.get("current", missing)
        self._per_torque = 1.0 if "torque" in values else options.torque_constant or 1.0
        self._supply = values.get("supply", missing)
        self._drawn = values.get("supply_current")
        self._temperature = values.get("temperature")
        self._inputs = values.get("inputs")
        self._deflection = values.get("deflection", missing)
        self._state = values.get("status", missing)
        self._fault = values.get("fault")
        # The age of a board that is only a sensor is that of its deflection.
        self._motor = timing_sample(values)
        self._answers = AnswerJudge()
        intervals_s = {name: board.interval_s(name, period_s) for name in values}
        # Answers to commands come while there are commands: in each cycle with power.
        self._answering = [n for n in values if board.answers_command(n)]
        watched_s = intervals_s | dict.fromkeys(self._answering, period_s)
        self._ages = QuantityAges(watched_s, period_s)
        status_s = intervals_s.get("status", 0.0)
        self._status_interval_s = status_s if status_s < math.inf else 0.0
        self._aging = list(values.items())
        self._asked_s = self._looked_s = math.inf
        self._next_heartbeat_s = NEVER
        self._off_again_s = NEVER
        self._off_since_s = 0.0
        self._assumed = PowerStage.OFF
        self._asked = PowerRequest.OFF
        self._takes = next(iter(commanded(board.takes)), "")
        self._modes = frozenset(Mode[name.upper()] for name in options.modes)
        self._mode = next(iter(self._modes), Mode.TORQUE)
        self._most_torque = options.peak_torque or options.rated_torque or 0.0
        self._heartbeat_on = True
        self._commanded = False  # since the last look
        self._opened = False

    def open(self) -> None:
        """Open the wire, remove power, run the start-up dialogue, wait for every quantity.

        Raises:
            DriverError: the wire does not open, a step is not answered, or a declared quantity
                never arrives.
        """
        board, options = self.board, self._options
        if self._opened:
            raise DriverError("the drive is open already")
        self._begin_anew()
        board.open()
        try:
            self._opened = True
            reason = self._dialogue.run_blocking(
                "start_up", options.sequences.start_up, self._poll_and_heartbeat
            )
            if reason:
                raise DriverError(f"{options.name}: {reason}: check wiring, power and description")
            if board.takes:
                self._dialogue.run_through("de_energise", options.sequences.de_energise)
            self._await_all()
        except BaseException:
            self.close()
            raise
        torque = options.rated_torque or 0.0
        self.capabilities = Capabilities(
            modes=self._modes,
            rated_torque_N_m=torque,
            peak_torque_N_m=self._most_torque,
            torque_resolution_N_m=0.0,
            host_loss_s=options.host_loss or math.inf,
            command_delay_cycles=options.command_delay,
            identity=options.name,
            shows_power=options.status is not None or not board.takes,
            status_interval_s=self._status_interval_s,
            adds_torque=options.torque_offset,
            details={
                "power stage": "from its status"
                if options.status
                else "assumed on once its energise sequence has run: the board sends no status"
            },
        )

    def read(self, deadline_s: float) -> Telemetry:
        """See ``drivers.base.Drive``."""
        telemetry = self.telemetry
        self._asked_s = wires.now()
        try:
            self._poll_and_heartbeat(deadline_s)
        except DriverError as error:
            telemetry.lost = telemetry.lost or str(error)
        now = wires.now()
        if not telemetry.lost:
            try:
                self._dialogue.look(now)
            except DriverError as error:
                telemetry.lost = str(error)
        self._fill(telemetry, now)
        self._looked_s = now
        if not telemetry.lost and now - self.board.received_s > self._options.silence:
            telemetry.lost = (
                f"{self._options.name} has been silent for more than "
                f"{1e3 * self._options.silence:g} ms: check its power and its wire"
            )
        return telemetry

    def write(self, command: Command) -> None:
        """Send one command; power changes through the declared sequences.

        Raises:
            DriverError: not open, a target that is not a finite number, or power requested in a
                mode that the board does not have.
        """
        if not self._opened:
            raise DriverError("the drive is not open")
        telemetry = self.telemetry
        mode = command.mode
        target = (
            command.torque_N_m
            if mode is Mode.TORQUE
            else command.velocity_rad_s
            if mode is Mode.VELOCITY
            else command.position_rad
        )
        if not math.isfinite(target):
            raise DriverError(f"{mode.name.lower()} {target} is not a finite number")
        if not math.isfinite(command.torque_offset_N_m):
            raise DriverError(f"torque offset {command.torque_offset_N_m} is not a finite number")
        if mode not in self._modes and command.power is PowerRequest.ON:
            raise DriverError(
                f"{self._options.name} takes no {mode.name.lower()}: declare its signal under "
                "'takes', or use another mode"
            )
        self._heartbeat_on = command.heartbeat
        request = PowerRequest.OFF if telemetry.lost else command.power
        try:
            self._follow(request)
            if (
                command.heartbeat
                and telemetry.power is PowerStage.ON
                and request is PowerRequest.ON
            ):
                self._send_target(mode, target, command.torque_offset_N_m)
                self._commanded = True
        except DriverError as error:
            telemetry.lost = telemetry.lost or str(error)
        self._asked = request

    def de_energise(self) -> None:
        """Send the whole declared sequence now, from any state. Never raises."""
        self._assumed = PowerStage.OFF
        self._asked = PowerRequest.OFF
        with contextlib.suppress(Exception):
            self._zero()
        with contextlib.suppress(Exception):
            self._dialogue.run_through("de_energise", self._options.sequences.de_energise)

    def close(self) -> None:
        """De-energise, run the shut-down dialogue without waiting, release the wire."""
        if self._opened:
            self._opened = False
            self.de_energise()
            with contextlib.suppress(Exception):
                self._dialogue.run_through("shut_down", self._options.sequences.shut_down)
        self.board.close()

    # ------------------------------------------------------------------------------------

    def _begin_anew(self) -> None:
        """Discard all values of an earlier connection."""
        self.telemetry.forget()
        for sample in self.board.values.values():
            sample.forget()
        self._ages.forget()
        self._dialogue.cancel()
        self._assumed = PowerStage.OFF
        self._asked = PowerRequest.OFF
        self._heartbeat_on = True
        self._next_heartbeat_s = self._off_again_s = NEVER

    def _poll_and_heartbeat(self, until_s: float | None = None) -> float:
        board, options = self.board, self._options
        now = time.monotonic()
        heartbeat = options.heartbeat
        if heartbeat is not None and self._heartbeat_on and now >= self._next_heartbeat_s:
            self._next_heartbeat_s = now + heartbeat.every
            board.send(heartbeat.send, {})
        if options.poll is not None:
            # Discard late answers to earlier polls: otherwise every sample from now on would be one
            # cycle old but look new.
            board.poll(0.0)
            board.send(options.poll, {})
        board.poll(now + self._period_s if until_s is None else until_s)
        return time.monotonic()

    def _await_all(self) -> None:
        give_up = time.monotonic() + FIRST_ANSWER_S
        wanted = self.board.values
        while missing := [name for name, sample in wanted.items() if not sample.number]:
            if self._poll_and_heartbeat() > give_up:
                raise DriverError(
                    f"{self._options.name}: {', '.join(missing)} never came: check that the "
                    "board sends it, and its source in the description"
                )
            time.sleep(0.2 * self._period_s)

    def _follow(self, request: PowerRequest) -> None:
        """Start the sequence for the request, once."""
        dialogue, sequences = self._dialogue, self._options.sequences
        stage = self.telemetry.power
        if request is PowerRequest.ON:
            if stage is PowerStage.FAULT:
                dialogue.cancel()  # its remaining steps must not follow the fault
            elif self._asked is not PowerRequest.ON and stage is not PowerStage.ON:
                dialogue.start("energise", sequences.energise)
            elif (
                self._status is None
                and dialogue.name == "energise"
                and dialogue.progress is Progress.DONE
            ):
                self._assumed = PowerStage.ON
            return
        powered = stage in (PowerStage.ON, PowerStage.CHANGING) or (
            stage is PowerStage.OFF and self._asked is PowerRequest.ON
        )
        if request is PowerRequest.CLEAR_FAULT and not powered:
            if self._asked is not PowerRequest.CLEAR_FAULT or dialogue.name != "clear_fault":
                dialogue.start("clear_fault", sequences.clear_fault)
            return
        # The bench itself performs a quick stop; here all other requests remove power.
        first = self._asked is not request and (
            self._asked in (PowerRequest.ON, PowerRequest.CLEAR_FAULT)
        )
        self._assumed = PowerStage.OFF
        now = time.monotonic()
        if first:
            self._off_since_s = now
        again = stage is PowerStage.ON or not self._heartbeat_on
        if first or (again and now >= self._off_again_s and not self._pausing(now)):
            self._off_again_s = now + REPEAT_OFF_S
            try:
                self._zero()
            finally:
                dialogue.run_through("de_energise", sequences.de_energise)

    def _pausing(self, now: float) -> bool:
        """Return whether OFF pauses, so that the board's watch over its host acts."""
        options = self._options
        if self._heartbeat_on or options.heartbeat is not None or options.host_loss is None:
            return False
        silence = options.host_loss + PAUSE_S
        return (now - self._off_since_s) % (BURST_S + silence) > BURST_S

    def _send_target(self, mode: Mode, target: float, offset_N_m: float) -> None:
        most = self._most_torque
        if mode is Mode.TORQUE:
            target = max(-most, min(most, target))
            if self._takes == "current":
                target /= self._options.torque_constant or 1.0
        self.board.command(self._takes, target, max(-most, min(most, offset_N_m)))

    def _zero(self) -> None:
        """Command zero torque, zero velocity, or the present position, if known."""
        if self._takes == "position" and not self._position.number:
            return
        if self._takes:
            rest = self._position.value if self._takes == "position" else 0.0
            self.board.command(self._takes, rest)

    def _fill(self, telemetry: Telemetry, now: float) -> None:
        motor, deflection = self._motor, self._deflection
        if motor.time_s != telemetry.time_s:
            telemetry.time_s = motor.time_s
            telemetry.received_s = self.board.received_s
            telemetry.time_error_s = self._time_error_s(motor.time_s)
        telemetry.deflection_time_s = deflection.time_s
        telemetry.age_s = min(now - motor.time_s, NEVER_HAPPENS_S)
        telemetry.deflection_age_s = min(now - deflection.time_s, NEVER_HAPPENS_S)
        for name, sample in self._aging:
            self._ages.came(name, sample.time_s)
        if not self._commanded:
            for name in self._answering:
                self._ages.came(name, now)
        self._commanded = False
        self._ages.judge(telemetry, now)
        telemetry.position_rad = self._position.value
        velocity = self._velocity
        telemetry.velocity_rad_s = velocity.value if velocity is not None else math.nan
        telemetry.torque_N_m = self._torque.value * self._per_torque
        telemetry.deflection_counts = deflection.value
        telemetry.supply_V = self._supply.value if self._supply.number else math.nan
        if self._drawn is not None and self._drawn.number:
            telemetry.supply_A = self._drawn.value
        if self._temperature is not None:
            telemetry.temperature_degC = self._temperature.value
        if self._inputs is not None and self._inputs.number:
            telemetry.digital_inputs = int(self._inputs.value)
        telemetry.frames = self.board.counters.received
        telemetry.mode = self._mode
        self._fill_state(telemetry)

    def _time_error_s(self, taken_s: float) -> float:
        """Return the possible time error of a sample in s.

        A polled board is judged by its answers. Messages sent unasked are stamped when read:
        waiting ones may have arrived at any time since the wire was last read.
        """
        if self._options.poll is not None:
            return self._answers.error_s(taken_s - self._asked_s)
        unseen = self._asked_s - self._looked_s - self._period_s
        waited = taken_s - self._asked_s
        return unseen if unseen > self._period_s and waited < USUAL_JITTER_S else 0.0

    def _fill_state(self, telemetry: Telemetry) -> None:
        dialogue = self._dialogue
        status = self._status
        word = int(self._state.value) if self._state.number else 0
        telemetry.status_word = word
        if status is None:
            stage = self._assumed
        elif status.fault is not None and status.fault.met(word):
            stage = PowerStage.FAULT
        elif status.energised.met(word):
            stage = PowerStage.ON
        elif dialogue.name == "energise" and dialogue.progress is Progress.RUNNING:
            stage = PowerStage.CHANGING
        else:
            stage = PowerStage.OFF
        telemetry.power = stage
        code = int(self._fault.value) if self._fault is not None else 0
        if stage is PowerStage.FAULT or code:
            telemetry.fault_code = code or 1
            telemetry.fault_text = self._options.fault_texts.get(
                code, f"code {code}, not named in the description"
            )
        elif dialogue.progress is Progress.FAILED:
            telemetry.fault_code, telemetry.fault_text = 0, dialogue.reason
        else:
            telemetry.fault_code, telemetry.fault_text = 0, ""
