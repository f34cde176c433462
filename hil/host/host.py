"""The rig host: one process, one thread, one drive, one cycle every period.

``python -m hil.host --profile P --link DIR`` opens the drive, prints ``ready`` and runs until
SIGTERM. After that it touches no disk, except to check the verification before power-on. Any
failure stops the rig: a late heartbeat from the controlling client, a lost drive, an exception
here. If this process dies, the drive's own heartbeat consumer removes power.
"""

from __future__ import annotations

import datetime
import os
import sys
import time
from typing import Any, Final

from drivers.base import Drive, DriverError, PowerRequest, ResumesCyclic, Telemetry
from drivers.capture import WireRecorder
from hil.bench import CONFIRMED, UNVERIFIED, Bench, CycleTiming, TiedBenches
from hil.control import standing
from hil.core import Cause, EndCommission, PowerOn, Reset, SessionCap, State, Stop
from hil.host.awake_process import AwakeProcess
from hil.host.description import keep_in_description
from hil.host.kept_heat import HeatFiles, moment_now
from hil.host.known_rig import KnownRig
from hil.host.last_look import LastLook, see_power_go
from hil.host.pacing import Pace
from hil.host.pauses import PAUSE_S, PauseWitness
from hil.host.processor_share import ShareWatch
from hil.host.rate_watch import RateWatch
from hil.host.recorder_watch import RecorderWatch
from hil.host.replay_notes import ReplayNotes
from hil.host.verification_watch import VerificationWatch
from hil.link import Incoming, LinkServer
from hil.profile import Profile, live_cycle_late_s

ANSWER_SHARE: Final = 0.6  # of the period in which the drive must have answered
# After a missed cycle: the cause of the delay may still be delaying the bus and the drive.
LATE_ANSWER_S: Final = 0.004
BEAT_S: Final = 0.04
WAIT_S: Final = 0.0005  # until the first cycle
_monotonic: Final = time.monotonic  # looked up once, as it is read several times in each cycle
# A message that blocks all others for this long also blocks a stop. Common practice, no source: a
# third of the shortest heartbeat limit in the profiles.
DEAF_S: Final = 0.05
# Stops that the link's gate knows of before the bench does.
ASKED_FOR: Final = (Cause.OPERATOR, Cause.CONTROL_RELEASED, Cause.HEARTBEAT_LATE)


class Host:
    """The paced loop around ``Bench.advance``.

    Args:
        profile: the rig.
        drive: opened.
        link: bound.
        wire: recorder of the drive's wires; None for no recording.
        known: state of the rig before anything is measured.
        axis: name of the axis among several that share ``wire``; '' for a single rig.
    """

    def __init__(
        self,
        profile: Profile,
        drive: Drive,
        link: LinkServer,
        wire: WireRecorder | None = None,
        known: KnownRig | None = None,
        axis: str = "",
    ) -> None:
        known = known or KnownRig()
        self.drive = drive
        self.link = link
        self._notes = ReplayNotes(wire, axis)
        self.period_s = 1.0 / profile.control.rate
        self.bench = Bench(profile, drive.capabilities, self.period_s)
        found = known.verified or standing(profile)
        self.verification = VerificationWatch(profile, found)
        if not found.open:
            self.bench.reduce()
        self._stated = known.at_lower_end and self.bench.reference == UNVERIFIED
        if self._stated:
            self.bench.state_reference(CONFIRMED, 0.0)
        self._cap: SessionCap | None = None  # given at the start
        self.bench.kept_offset_m = known.kept.offset_m if known.kept else None
        heat = known.heat
        self._warm = heat if heat is not None and heat.winding + heat.housing > 0.0 else None
        if self._warm is not None:
            self.bench.supervisor.heat.begin(self._warm.winding, self._warm.housing)
        self.most_late_s = live_cycle_late_s(profile)
        self.pace = Pace(self.period_s)
        self._answer_by_s = ANSWER_SHARE * self.period_s
        self._acted_s = self._next_heartbeat_s = self.pace.began_s
        self.ending = False
        self.last_look: LastLook | None = None  # once it has ended
        self.tied: TiedBenches | None = None  # with other axes of this process
        self.parent: int | None = None  # ends when this process has exited
        self._sent_s: float | None = None  # when the stop being executed was requested
        self._timing = CycleTiming(0.0)  # refilled in place each cycle
        self._keeps_awake = False
        self.recorder = RecorderWatch()
        self.awake = AwakeProcess(None)
        self._turn = 0  # parts of the watch since the last heartbeat
        self.share = ShareWatch((), profile.control.rate)
        self.rate = RateWatch(profile.control.rate)
        self.pauses = PauseWitness()
        self._tenure = link.gate.tenure
        self._widen = False  # the limits of a holder that has disconnected are to be withdrawn

    def begin_capped(self, cap: SessionCap) -> None:
        """Begin with limits narrower than the profile's; before ``run``."""
        self._cap = cap
        self.bench.ask(cap)

    def run(self) -> None:
        """Cycle until ``ending`` is set; the drive is de-energised on the way out."""
        pace = self.pace
        self.begin(pace)
        while not self.ending:
            # Whole periods since the last cycle: the estimator needs them after a pause.
            written = self.control(pace.wake())
            self.serve(written)
            pace.end(written)
        self.end()

    def begin(self, pace: Pace) -> None:
        """Begin at this pace, which several hosts may share."""
        self.pace = pace
        pace.begin()
        self._next_heartbeat_s = self._acted_s = pace.began_s

    def control(self, periods: int) -> float:
        """Run one cycle after so many periods; return the time at which the command left."""
        self.pauses.wake()
        self._notes.cycle(periods)
        if self.bench.cycle == 0:
            self._notes.beginning(self.bench, self._cap, self._warm, self._stated)
        try:
            return self._control(self.pace.period_s * periods)
        except Exception as error:
            return self._failed(error)

    def serve(self, written_s: float) -> None:
        """Take requests and publish events, once the cycle's command has left."""
        try:
            self._serve(written_s)
        except Exception as error:
            self._failed(error)

    def _control(self, dt_s: float) -> float:
        """Run one cycle: telemetry, bench, command, row; return the time at which the command left.

        Raises:
            DriverError: the drive is lost.
        """
        bench, drive, pace = self.bench, self.drive, self.pace
        woke_s = pace.woke_s
        telemetry = self._read()
        answer_s = max(0.0, telemetry.received_s - woke_s)
        if answer_s > self._answer_by_s:
            self._notes.note({"answer_s": answer_s})
        # Measured from here to here, so that no pause of this process, anywhere in the cycle,
        # goes unseen.
        before_s, self._acted_s = self._acted_s, _monotonic()
        late_s = self._acted_s - before_s - self.period_s
        if late_s > self.most_late_s:
            bench.held_up(late_s, self.most_late_s)
        # After the wait for the drive, which takes most of a cycle: this cycle's command obeys a
        # stop that arrived in the meantime.
        if bench.cycle:
            self._obey_stop(self._acted_s)
        timing = self._timing
        timing.time_s = woke_s - pace.began_s
        timing.wake_latency_s = woke_s - pace.due_s
        timing.work_s = pace.work_s
        timing.answer_s = answer_s
        row = bench.advance(telemetry, dt_s, timing)
        drive.write(bench.command)
        written_s = _monotonic()
        self.link.publish_row(row)
        return written_s

    def _read(self) -> Telemetry:
        """Return the drive's answer, or the part of it that arrived in time.

        After a late wake-up, still wait for the answer, and for longer: the last sample is old by
        then, and the age of the sample is judged.
        """
        drive, woke_s, period_s = self.drive, self.pace.woke_s, self.period_s
        in_time = woke_s - self.pace.due_s <= period_s
        telemetry = drive.read(woke_s + (self._answer_by_s if in_time else LATE_ANSWER_S))
        if _monotonic() - woke_s > LATE_ANSWER_S + period_s:
            # Held up while waiting: the answer may have arrived but not been read.
            self._notes.cycle(0)
            telemetry = drive.read(_monotonic() + LATE_ANSWER_S)
        return telemetry

    def _serve(self, written_s: float) -> None:
        """Publish events, take requests, watch the clients and processes the bench depends on."""
        bench, pace = self.bench, self.pace
        # From wake-up to wake-up, wherever the pause was, and with the drive lost as well.
        if pace.overslept_s > PAUSE_S:
            self._explain(pace.overslept_s, pace.woke_s - pace.began_s)
        if bench.events:
            self._publish_events(pace.woke_s, written_s)
        for incoming in self.link.poll(written_s, self._powered):
            self._answer(incoming)
        self._watch_holder(written_s)
        powered = bench.powered
        if powered != self._keeps_awake:
            self._keeps_awake = powered
            self.awake.work(powered)
        if written_s >= self._next_heartbeat_s:
            self._next_heartbeat_s = written_s + BEAT_S
            self.link.publish_event(self._heartbeat(written_s - pace.began_s))
            self._turn = 0
        elif self._turn < 2:
            # One part in each of the next cycles: together they made one cycle of 40 a long one.
            self._turn += 1
            if self._turn == 1:
                self.pauses.look(written_s)
            else:
                if self.parent is not None and os.getppid() != self.parent:
                    self.ending = True  # no one is left to end this process
                self._watch_others(written_s, written_s - pace.began_s)

    def end(self) -> None:
        """Remove power, check that it goes off, and report it."""
        bench, drive, link = self.bench, self.drive, self.link
        bench.stop(Cause.HOST_ENDING)
        bench.controlled_stop.abandon()
        drive.de_energise()
        self._publish_events(_monotonic(), _monotonic())
        look = self.last_look = see_power_go(drive, self.period_s, bench.removal.still_on)
        ending = {"kind": "host_ending", "time_s": bench.time_s}
        ending |= {"power": look.text, "power_still_on": look.still_on}
        ending["motor_heat"] = self.motor_heat
        link.publish_event(self._stamp(ending))
        link.flush()

    def keep_heat(self, files: HeatFiles) -> None:
        """Keep the motor's heat for the next start; while power is on, leave the in-use mark."""
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
            "cause": self.pauses.explain(late_s, _monotonic()),
        }
        self.link.publish_event(self._stamp(event))

    def _watch_others(self, now_s: float, time_s: float) -> None:
        """Report changes of the recorder, of the processor share and of the rate."""
        event: dict[str, Any] | None = self.recorder.changed(self.link.silent_s("recorder"))
        if event is not None:
            self.link.publish_event(self._stamp(event | {"time_s": time_s}))
        rate = self.rate.look(now_s, self.bench.cycle, self.pace.late_cycles)
        for text in filter(None, (self.share.look(now_s), rate)):
            event = {"kind": "notice", "text": text, "time_s": time_s}
            self.link.publish_event(self._stamp(event))

    def _obey_stop(self, now_s: float) -> None:
        """Take a stop received since the last command, so that the next one obeys it."""
        try:
            for incoming in self.link.poll_stop(now_s):
                self._answer(incoming, early=True)
        except Exception as error:
            self._failed(error)

    def _failed(self, error: Exception) -> float:
        self.drive.de_energise()
        written = _monotonic()
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
            if self.tied is not None:
                self.tied.cut_short(self.bench.axis)
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
        self._notes.request(request, early)
        self.link.reply(incoming, outcome.accepted, outcome.text)

    def _look_at_verification(self) -> None:
        """Open or reduce the limits by the present verification, while nothing has power."""
        bench = self.bench
        free = bench.state is State.DE_ENERGISED and not bench.powered
        # Restricted operation has its own limits; the client that requested it continues under them.
        if not free or bench.envelope is not None or not self.verification.look():
            return
        found = self.verification.standing
        if found.open == bench.reduced:
            bench.reduce(not found.open)
            self._notes.note({"reduced": bench.reduced})
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
            # The client that restricted the bench is gone. Refused during a controlled stop.
            self._widen = not bench.ask(EndCommission()).accepted
        powered = bench.powered
        if gate.holder is None:
            if powered:
                bench.stop(Cause.CONTROL_RELEASED)
                gate.stopped(now_s)
        elif gate.late(now_s):
            silent = 1e3 * gate.silent_s(now_s)
            detail = (
                f"the newest heartbeat from '{gate.holder}', which held control, was sent "
                f"{silent:.0f} ms ago"
            )
            link.drop_holder(powered)
            if powered:
                bench.stop(Cause.HEARTBEAT_LATE, detail)
        if powered and link.deaf_s(now_s) > DEAF_S:
            gate.stopped(now_s)
            bench.stop(
                Cause.HEARTBEAT_LATE,
                "one endless message blocks all others, so a stop would not be received",
            )

    def _publish_events(self, seen_s: float, written_s: float) -> None:
        # Requests are taken after a cycle's command has left, so a requested stop is published
        # after the next cycle's write: ``written_s`` is when its command was on the wire.
        for event in self.bench.events:
            self._stamp(event)
            if event["kind"] == "stop":
                if event["code"] not in ASKED_FOR:
                    self.link.gate.stopped(seen_s)
                asked = self._sent_s if event["code"] == Cause.OPERATOR else None
                lag = written_s - (asked if asked and 0 < written_s - asked < 10 else seen_s)
                event["to_wire_ms"] = round(1e3 * max(lag, 0.0), 3)
                self._sent_s = None
                self._notes.note({"stopped": event["code"], "detail": event["detail"]})
            keep_in_description(self.link.description, event)
            self.link.publish_event(event)
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
            "late_cycles": self.pace.late_cycles,
            "skipped_periods": self.pace.skipped_periods,
            "tare_N": self.bench.tare_N,
            "motor_heat": self.motor_heat,
            "reference": self.bench.reference,
            "cause_text": self.bench.cause_text,
            "recorder_lost": self.recorder.lost,
        }
