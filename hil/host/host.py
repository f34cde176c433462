"""The rig host: one process, one thread, one drive, one cycle every period.

``python -m hil.host --profile P --link DIR`` opens the drive, prints ``ready`` and runs until
SIGTERM. It touches no disk after that, but for the verification before power comes. Whoever dies,
the rig stops: a late holder of control, a lost drive, an exception here; and if this process dies,
the drive's own heartbeat consumer removes power.
"""

from __future__ import annotations

import datetime
import os
import sys
import time
from typing import Any

from drivers.base import Drive, DriverError, PowerRequest, ResumesCyclic
from drivers.capture import WireRecorder
from hil.bench import CONFIRMED, UNVERIFIED, Bench, CycleTiming
from hil.control import Standing, standing
from hil.core import Cause, EndCommission, PowerOn, Reset, SessionCap, State, Stop
from hil.host.awake_process import AwakeProcess
from hil.host.kept_heat import HeatFiles, moment_now
from hil.host.kept_reference import KeptReference
from hil.host.last_look import LastLook, see_power_go
from hil.host.pauses import PAUSE_S, PauseWitness
from hil.host.processor_share import ShareWatch
from hil.host.realtime import sleep_until
from hil.host.recorder_watch import RecorderWatch
from hil.host.verification_watch import VerificationWatch
from hil.link import Incoming, LinkServer
from hil.profile import Profile, live_cycle_late_s
from hil.supervision import HeatAtStart

ANSWER_SHARE = 0.6  # of the period in which the drive must have answered
# After a missed cycle: what held this process up may hold up the bus and the drive still.
LATE_ANSWER_S = 0.004
BEAT_S = 0.04
UNDER_POWER = (State.STANDBY, State.RUNNING)
WAIT_S = 0.0005  # until the first cycle
# One message that keeps all others waiting for so long keeps a stop waiting too. Common practice,
# no source: a third of the shortest heartbeat limit in the profiles.
DEAF_S = 0.05
# Stops of which the link's gate knows before the bench does.
ASKED_FOR = (Cause.OPERATOR, Cause.CONTROL_RELEASED, Cause.HEARTBEAT_LATE)


class Host:
    """The paced loop around ``Bench.advance``.

    Args:
        profile: the rig.
        drive: opened.
        link: bound.
        wire: records what passes on the drive's wires, if that is wanted.
        verified: whether the profile's own limits are open; None looks it up.
        at_lower_end: the operator stated that the output rests on its lower end.
        heat: of the motor, to begin with; None begins cold.
        kept: the reference of the last session.
    """

    def __init__(
        self,
        profile: Profile,
        drive: Drive,
        link: LinkServer,
        wire: WireRecorder | None = None,
        verified: Standing | None = None,
        at_lower_end: bool = False,
        heat: HeatAtStart | None = None,
        kept: KeptReference | None = None,
    ) -> None:
        self.drive = drive
        self.link = link
        self.wire = wire
        self.period_s = 1.0 / profile.control.rate
        self.bench = Bench(profile, drive.capabilities, self.period_s)
        found = verified or standing(profile)
        self.verification = VerificationWatch(profile, found)
        if not found.open:
            self.bench.reduce()
        self._stated = at_lower_end and self.bench.reference == UNVERIFIED
        if self._stated:
            self.bench.state_reference(CONFIRMED)
        self._cap: SessionCap | None = None  # of the start
        self.bench.kept_offset_m = kept.offset_m if kept else None
        self._warm = heat if heat is not None and heat.winding + heat.housing > 0.0 else None
        if self._warm is not None:
            self.bench.supervisor.heat.begin(self._warm.winding, self._warm.housing)
        self.most_late_s = live_cycle_late_s(profile)
        self.late_cycles = 0
        self.skipped_periods = 0
        self.ending = False
        self.last_look: LastLook | None = None  # once it has ended
        self.parent: int | None = None  # ends when this process is gone
        self._sent_s: float | None = None  # when the stop being executed was asked for
        self.recorder = RecorderWatch()
        self.awake = AwakeProcess(None)
        self.share = ShareWatch(None, profile.control.rate)
        self.pauses = PauseWitness()
        self._tenure = link.gate.tenure
        self._widen = False  # the limits of a holder who is gone are to be taken back

    def begin_capped(self, cap: SessionCap) -> None:
        """Begin with limits narrower than the profile's; before ``run``."""
        self._cap = cap
        self.bench.ask(cap)

    def run(self) -> None:
        """Cycle until ``ending`` is set; the drive is de-energised on the way out."""
        period = self.period_s
        bench, drive, link = self.bench, self.drive, self.link
        wire = self.wire
        monotonic = time.monotonic
        answer_by = ANSWER_SHARE * period
        most_late = self.most_late_s
        started = monotonic()
        due = started + period
        woke = started
        work = 0.0
        next_heartbeat = acted = started
        while not self.ending:
            sleep_until(due)
            last, woke = woke, monotonic()
            self.pauses.wake()
            # Whole periods since the last cycle: after a pause the estimator must know it.
            periods = max(1, round((woke - last) / period))
            dt = period * periods
            if wire is not None:
                wire.cycle(periods)
                if bench.cycle == 0:
                    self._note_beginning(wire)
            try:
                # After a late wake-up the answer is waited for all the same, and longer: the
                # last sample is old by then, and the age of the sample is judged.
                in_time = woke - due <= period
                telemetry = drive.read(woke + (answer_by if in_time else LATE_ANSWER_S))
                if monotonic() - woke > LATE_ANSWER_S + period:
                    # Held up while it waited: the answer may lie there unread.
                    if wire is not None:
                        wire.cycle(0)
                    telemetry = drive.read(monotonic() + LATE_ANSWER_S)
                answered = max(0.0, telemetry.received_s - woke)
                if wire is not None and answered > answer_by:
                    wire.note({"answer_s": answered})
                # From here to here, so that no place in the cycle is left where a pause of
                # this process would go unseen.
                before, acted = acted, monotonic()
                if acted - before > period + most_late:
                    bench.held_up(acted - before - period, most_late)
                # After the wait for the drive, which is most of a cycle: a stop that came
                # meanwhile is obeyed by this cycle's command.
                if bench.cycle:
                    self._obey_stop(acted)
                timing = CycleTiming(
                    time_s=woke - started, wake_latency_s=woke - due, work_s=work, answer_s=answered
                )
                row = bench.advance(telemetry, dt, timing)
                drive.write(bench.command)
                written = monotonic()
                link.publish_row(row)
            except Exception as error:
                written = self._failed(error)
            try:
                # From wake to wake, wherever in between it was, and with the drive lost as well.
                if woke - last > period + PAUSE_S:
                    self._explain(woke - last - period, woke - started)
                if bench.events:
                    self._publish_events(woke, written)
                for incoming in link.poll(written, self._powered):
                    self._answer(incoming)
                self._watch_holder(written)
                self.awake.work(bench.state in UNDER_POWER or bench.energising)
                if written >= next_heartbeat:
                    self.pauses.look(written)
                    next_heartbeat = written + BEAT_S
                    if self.parent is not None and os.getppid() != self.parent:
                        self.ending = True  # nobody is left who would end this process
                    link.publish_event(self._heartbeat(written - started))
                    self._watch_others(written, written - started)
            except Exception as error:
                self._failed(error)
            done = monotonic()
            work = done - woke
            if written - due > period:
                self.late_cycles += 1
            due += period
            if done > due + period:
                # Periods that are over cannot be made good; sending a burst would be worse.
                behind = int((done - due) / period)
                self.skipped_periods += behind
                due += behind * period
        bench.stop(Cause.HOST_ENDING)
        bench.controlled_stop.abandon()
        drive.de_energise()
        self._publish_events(monotonic(), monotonic())
        look = self.last_look = see_power_go(drive, period, bench.removal.still_on)
        ending = {"kind": "host_ending", "time_s": bench.time_s}
        ending |= {"power": look.text, "power_still_on": look.still_on}
        ending["motor_heat"] = self.motor_heat
        link.publish_event(self._stamp(ending))
        link.flush()

    def _note_beginning(self, wire: WireRecorder) -> None:
        """Record what a replay must begin with."""
        if self.bench.reduced:
            wire.note({"reduced": True})
        if self._cap is not None:
            wire.note({"request": self._cap.model_dump(mode="json")})
        if self._warm is not None:
            wire.note({"heat": [self._warm.winding, self._warm.housing]})
        if self._stated:
            wire.note({"reference": CONFIRMED})
        if self.bench.kept_offset_m is not None:
            wire.note({"kept_offset_m": self.bench.kept_offset_m})

    def keep_heat(self, files: HeatFiles) -> None:
        """Keep the motor's heat for the next start; while power is on, leave the mark of use."""
        if self.last_look is not None and self.last_look.still_on:
            return
        try:
            files.end(**self.motor_heat, now=moment_now())
        except OSError as error:
            print(f"the motor's heat cannot be kept: {error}", file=sys.stderr, flush=True)

    def _explain(self, late_s: float, time_s: float) -> None:
        """Publish what held this process up."""
        event = {
            "kind": "pause",
            "time_s": time_s,
            "late_ms": round(1e3 * late_s, 2),
            "cause": self.pauses.explain(late_s, time.monotonic()),
        }
        self.link.publish_event(self._stamp(event))

    def _watch_others(self, now_s: float, time_s: float) -> None:
        """Tell what became of the recorder, and of the share of the processor."""
        event: dict[str, Any] | None = self.recorder.changed(self.link.silent_s("recorder"))
        if event is not None:
            self.link.publish_event(self._stamp(event | {"time_s": time_s}))
        if text := self.share.look(now_s):
            event = {"kind": "notice", "text": text, "time_s": time_s}
            self.link.publish_event(self._stamp(event))

    def _obey_stop(self, now_s: float) -> None:
        """Take a stop that came since the last command, so that the next one obeys it."""
        try:
            for incoming in self.link.poll_stop(now_s):
                self._answer(incoming, early=True)
        except Exception as error:
            self._failed(error)

    def _failed(self, error: Exception) -> float:
        self.drive.de_energise()
        written = time.monotonic()
        command = self.bench.command
        command.power = PowerRequest.OFF
        command.torque_N_m = 0.0
        cause = Cause.DRIVE_LOST if isinstance(error, DriverError) else Cause.EXCEPTION
        self.bench.stop(cause, f"{type(error).__name__}: {error}")
        return written

    def _powered(self) -> bool:
        return self.bench.powered

    def _answer(self, incoming: Incoming, early: bool = False) -> None:
        """Run a request. ``early``: before this cycle's command is computed, not after it."""
        request = incoming.request
        if isinstance(request, Stop):
            if incoming.cause is not None:
                self.bench.stop(incoming.cause, request.cause)
                return
            self._sent_s = request.sent_s or None
        if isinstance(request, PowerOn) and self.share.refusal:
            self.link.reply(incoming, False, self.share.refusal)
            return
        if isinstance(request, PowerOn):
            self._look_at_verification()
        drive = self.drive
        if (
            isinstance(request, Reset)
            and self.bench.provoked_loss
            and drive.telemetry.lost
            and isinstance(drive, ResumesCyclic)
        ):
            drive.resume_cyclic()
        outcome = self.bench.ask(request)
        if self.wire is not None:
            noted = {"request": request.model_dump(mode="json")}
            self.wire.note(noted | {"early": True} if early else noted)
        self.link.reply(incoming, outcome.accepted, outcome.text)

    def _look_at_verification(self) -> None:
        """Open or reduce the limits by what is verified now, while nothing has power."""
        bench = self.bench
        free = bench.state is State.DE_ENERGISED and not bench.powered
        # Restricted operation has limits of its own; whoever asked for it goes on under them.
        if not free or bench.envelope is not None or not self.verification.look():
            return
        found = self.verification.standing
        if found.open == bench.reduced:
            bench.reduce(not found.open)
            if self.wire is not None:
                self.wire.note({"reduced": bench.reduced})
        self.link.description["verification"] = found.as_data()
        at = {"time_s": bench.time_s}
        event = {"kind": "verification", "verification": found.as_data()}
        self.link.publish_event(self._stamp(event | at))
        self.link.publish_event(self._stamp({"kind": "notice", "text": found.text} | at))

    def _watch_holder(self, now_s: float) -> None:
        link, bench = self.link, self.bench
        gate = link.gate
        if gate.tenure != self._tenure:
            self._tenure = gate.tenure
            self._widen = bench.envelope is not None
        if self._widen or (gate.holder is None and bench.envelope is not None):
            # Whoever restricted the bench is gone. Refused while a controlled stop runs.
            self._widen = not bench.ask(EndCommission()).accepted
        powered = bench.powered
        if gate.holder is None:
            if powered:
                bench.stop(Cause.CONTROL_RELEASED)
                gate.stopped(now_s)
        elif gate.late(now_s):
            silent = 1e3 * gate.silent_s(now_s)
            detail = (
                f"the newest heartbeat from '{gate.holder}', who held control, was sent "
                f"{silent:.0f} ms ago"
            )
            link.drop_holder(powered)
            if powered:
                bench.stop(Cause.HEARTBEAT_LATE, detail)
        if powered and link.deaf_s(now_s) > DEAF_S:
            gate.stopped(now_s)
            bench.stop(
                Cause.HEARTBEAT_LATE,
                "one endless message keeps all others waiting, a stop would not be heard",
            )

    def _publish_events(self, seen_s: float, written_s: float) -> None:
        # Requests are taken after a cycle's command has left, so a stop asked for is published
        # after the next cycle's write: ``written_s`` is when its command was on the wire.
        for event in self.bench.events:
            if event["kind"] == "stop":
                if event["code"] not in ASKED_FOR:
                    self.link.gate.stopped(seen_s)
                asked = self._sent_s if event["code"] == Cause.OPERATOR else None
                lag = written_s - (asked if asked and 0 < written_s - asked < 10 else seen_s)
                event["to_wire_ms"] = round(1e3 * max(lag, 0.0), 3)
                self._sent_s = None
                if self.wire is not None:
                    self.wire.note({"stopped": event["code"], "detail": event["detail"]})
            elif event["kind"] == "calibration":
                # Whoever comes later is told of the one in force.
                told = self.link.description
                told["profile"] = {**told["profile"], "calibration": event["calibration"]}
            elif event["kind"] == "session_cap":
                self.link.description["session_cap"] = event["cap"]
            elif event["kind"] == "reference":
                self.link.description["reference"] = event["how"]
            self.link.publish_event(self._stamp(event))
        self.bench.events.clear()

    @staticmethod
    def _stamp(event: dict[str, Any]) -> dict[str, Any]:
        now = datetime.datetime.now().astimezone()
        event["wall"] = now.isoformat(timespec="milliseconds")
        return event

    @property
    def motor_heat(self) -> dict[str, float]:
        """Shares of winding and housing."""
        heat = self.bench.supervisor.heat
        return {"winding": heat.winding, "housing": heat.housing}

    def _heartbeat(self, time_s: float) -> dict[str, Any]:
        return {
            "kind": "heartbeat",
            "time_s": time_s,
            "state": self.bench.state.name,
            "holder": self.link.holder,
            "holder_delay_ms": round(1e3 * self.link.gate.delay_s, 2),
            "reset_needed": self.link.gate.reset_needed,
            "cycles": self.bench.cycle,
            "late_cycles": self.late_cycles,
            "skipped_periods": self.skipped_periods,
            "tare_N": self.bench.tare_N,
            "motor_heat": self.motor_heat,
            "reference": self.bench.reference,
            "cause_text": self.bench.cause_text,
            "recorder_lost": self.recorder.lost,
        }
