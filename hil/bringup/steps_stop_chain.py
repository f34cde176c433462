"""The stop chain: every way to stop is tested once before the motor moves.

The hard-wired stop first without power, then, in Standby at zero torque under hold-to-run:
a software stop, release of the hold-to-run control, a silent host, the hard-wired stop again.
"""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np
from numpy.typing import NDArray

from drivers.base import PowerStage
from hil.bringup.findings import finding
from hil.bringup.signal_statistics import Floats
from hil.bringup.step import Context, Measured, Plot, Result, Step, Trace
from hil.core import Commission, PowerOff, PowerOn, Reset, State, Stop, WithholdHeartbeat
from hil.procedures import (
    Action,
    Ask,
    BenchStopped,
    Choose,
    Hand,
    Pause,
    ProcedureFailed,
    RequireHoldToRun,
    Seen,
    column,
    send_requests,
    wait_for_state,
)

# Nothing is commanded here; if something pushes anyway, the bench stops at once.
FORCE_SHARE = 0.1  # of the limited force
SPEED_M_S = 0.01
TORQUE_SHARE = 0.05  # of rated torque
GONE_SHARE = 0.5  # of the supply: an opened contactor leaves less, once the link is discharged
DISCHARGE_S = 2.0
OFF_S = 0.3
BACK_SHARE = 0.95
SAGS = 0.05  # of the supply; at zero torque the power stage draws almost no power
HOST_LOSS_ROOM_S = 0.1
ALIVE = (PowerStage.CHANGING, PowerStage.ON, PowerStage.QUICK_STOP)


def stop_chain(context: Context) -> Generator[Action, Seen, Result]:
    result = Result("stop_chain")
    if not (yield from _hard_wired_without_power(context, result)):
        return result
    limits, facts = context.profile.limits, context.facts
    yield from send_requests(
        [
            Commission(
                force_N=FORCE_SHARE * limits.force.limited,
                speed_m_s=min(SPEED_M_S, limits.speed.limited),
                torque_N_m=TORQUE_SHARE * facts.rated_torque_N_m,
            )
        ]
    )
    answer = yield Choose(
        f"Is the load supported? {context.profile.stop.load}", "load_supported", ("yes", "no")
    )
    for part in (_software_stop, _let_go, _silent_host, _hard_wired):
        try:
            yield from _energised(answer.text == "yes")
            yield from part(context, result)
        except ProcedureFailed as failure:
            if not result.findings:
                raise
            result.text = str(failure)
        if result.findings:
            # A rig that does not stop as it should is not powered on again.
            result.text = result.text or result.findings[0].sentence
            return result
        yield from _reset()
    result.text = (
        "software stop, hold-to-run control, silent host and hard-wired stop each removed power"
    )
    return result


def _energised(supported: bool) -> Generator[Action, Seen, None]:
    """Enter Standby under hold-to-run, the load supported as stated by the operator."""
    held = yield RequireHoldToRun(True, "Hold the hold-to-run control; nothing should move.")
    if not held.accepted:
        raise ProcedureFailed("the hold-to-run control was not held: repeat when you are ready")
    yield from send_requests([PowerOn(load_supported=supported)])
    yield from wait_for_state(State.STANDBY)


def _reset() -> Generator[Action, Seen, None]:
    yield RequireHoldToRun(False)
    yield Pause(0.2)
    yield from send_requests([Reset()])
    yield from wait_for_state(State.DE_ENERGISED)
    rows = (yield Pause(0.3)).rows
    if len(rows) and column(rows, "power_stage")[-1] == PowerStage.FAULT:
        # A drive that was silent reports its fault only once communication has resumed.
        yield from send_requests([Reset()])
        yield Pause(0.3)


def _hard_wired_without_power(context: Context, result: Result) -> Generator[Action, Seen, bool]:
    """Have the stop pressed and released without power; check it on the telemetry."""
    before = (yield Pause(0.3)).rows
    volts = float(np.median(column(before, "supply_V")))
    rows = (yield Hand("press_stop", "Press the hard-wired emergency stop.")).rows
    more = (yield Pause(DISCHARGE_S)).rows
    pressed = np.concatenate([rows, more])
    left = float(column(pressed, "supply_V")[-1])
    reported = _reported_by_drive(before, pressed)
    seen = left < GONE_SHARE * volts or reported
    result.measured.append(
        Measured(
            "supply with the hard-wired stop pressed",
            left,
            "V",
            f"below {GONE_SHARE * volts:.0f}",
            "the stop separates the supply from the power stage"
            + (", or the drive reports it, as here" if reported else ""),
            seen,
        )
    )
    back = (yield Hand("release_stop", "Release the hard-wired stop and re-arm it.")).rows
    back = np.concatenate([back, (yield Pause(1.0)).rows])
    again = float(column(back, "supply_V")[-1])
    result.plots.append(_supply_plot("Hard-wired stop, not energised", pressed, back))
    if not seen:
        result.findings.append(finding("stop_not_wired", supply_V=left))
        result.text = "the hard-wired stop was pressed without visible effect"
        return False
    good = again > BACK_SHARE * volts
    result.measured.append(
        Measured(
            "supply after its release",
            again,
            "V",
            f"above {BACK_SHARE * volts:.1f}",
            "as before",
            good,
        )
    )
    if not good:
        result.findings.append(finding("stop_not_released", supply_V=again, before_V=volts))
        return False
    if _powered(back):
        result.findings.append(finding("stop_starts_motion"))
        return False
    yield Ask(Reset())  # some drives keep a fault
    yield Pause(0.3)
    return True


def _reported_by_drive(before: Floats, after: Floats) -> bool:
    """Return whether the drive itself reports the stop (safe torque off): status word or fault."""
    last = after[-1:]
    for name in ("fault_code", "status_word"):
        if float(column(last, name)[0]) not in column(before, name):
            return True
    return False


def _software_stop(context: Context, result: Result) -> Generator[Action, Seen, None]:
    standing = (yield Pause(0.3)).rows
    volts = float(np.min(column(standing, "supply_V")))
    before = context.known.get("supply_V", volts)
    sag = 1.0 - volts / before
    result.measured.append(
        Measured(
            "sag of the supply with the power stage on",
            100 * sag,
            "%",
            f"at most {100 * SAGS:g}",
            "at zero torque it draws almost no power",
            sag <= SAGS,
        )
    )
    moved = float(np.ptp(column(standing, "nut_position_m")))
    most = 0.02 * context.profile.actuator.transmission.lead
    result.measured.append(
        Measured(
            "motion of the nut at zero torque",
            1e3 * moved,
            "mm",
            f"at most {1e3 * most:g}",
            "nothing is commanded",
            moved <= most,
        )
    )
    if sag > SAGS:
        result.findings.append(finding("supply_sags", sag_percent=100 * sag))
    if moved > most:
        result.findings.append(finding("moves_uncommanded", moved_mm=1e3 * moved))
    yield Ask(Stop(cause="bring-up: software stop"))
    rows = (yield Pause(OFF_S)).rows
    _removed(result, "software stop", rows, "software_stop_failed", OFF_S)


def _let_go(context: Context, result: Result) -> Generator[Action, Seen, None]:
    del context
    try:
        yield RequireHoldToRun(False, "Release the hold-to-run control.")
        rows = (yield Pause(OFF_S + 0.2)).rows
    except BenchStopped as stop:
        rows = stop.seen.rows
        rows = np.concatenate([rows, (yield Pause(OFF_S)).rows])
    _removed(result, "hold-to-run control released", rows, "software_stop_failed", OFF_S + 0.2)


def _silent_host(context: Context, result: Result) -> Generator[Action, Seen, None]:
    """Withhold the heartbeat; the bench must see the drive stop by itself."""
    waits = context.facts.host_loss_s
    longest = min(2.0, 2 * waits + HOST_LOSS_ROOM_S)
    yield from send_requests([WithholdHeartbeat(seconds=longest)])
    stopped = ""
    try:
        rows = (yield Pause(longest)).rows
    except BenchStopped as stop:
        stopped, rows = f"{stop.cause}: {stop}", stop.seen.rows
        rows = np.concatenate([rows, (yield Pause(0.1)).rows])
    after = _time_to_off(rows)
    good = not math.isnan(after) and after <= longest
    result.measured.append(
        Measured(
            "power removed after the host fell silent",
            1e3 * after,
            "ms",
            f"about {1e3 * waits:g}, at most {1e3 * longest:g}",
            "the drive's own watch over the host: drive.host_loss",
            good,
        )
    )
    result.plots.append(_stage_plot("Silent host", rows))
    if not good:
        if not stopped:
            yield Ask(PowerOff())
        result.findings.append(finding("heartbeat_ignored", silent_ms=1e3 * longest))
    elif stopped:
        result.measured.append(Measured("reported by the bench", stopped))


def _hard_wired(context: Context, result: Result) -> Generator[Action, Seen, None]:
    del context
    parts: list[Floats] = []
    try:
        parts.append((yield Hand("press_stop", "Press the hard-wired stop.")).rows)
        parts.append((yield Pause(0.5)).rows)
    except BenchStopped as stop:
        parts.append(stop.seen.rows)
        parts.append((yield Pause(0.5)).rows)
    _removed(result, "hard-wired stop", np.concatenate(parts), "stop_not_wired", 1.0)
    back = (yield Hand("release_stop", "Release the hard-wired stop and re-arm it.")).rows
    back = np.concatenate([back, (yield Pause(1.0)).rows])
    came_back = _powered(back[len(back) // 2 :])
    result.measured.append(
        Measured(
            "power stage after its release",
            "on" if came_back else "off",
            "",
            "off",
            "releasing a stop never starts anything (ISO 13850)",
            not came_back,
        )
    )
    if came_back and not result.findings:
        result.findings.append(finding("stop_starts_motion"))


def _removed(result: Result, what: str, rows: Floats, code: str, longest_s: float) -> None:
    after = _time_to_off(rows)
    good = not math.isnan(after)
    result.measured.append(
        Measured(
            f"power removed after {what}",
            1e3 * after,
            "ms",
            f"at most {1e3 * longest_s:g}",
            "from the samples: the drive's power stage",
            good,
        )
    )
    if not good:
        result.findings.append(finding(code, note=what))


def _time_to_off(rows: Floats) -> float:
    """Return seconds from the first row to the one from which power stays off, or NaN."""
    if not len(rows) or _powered(rows[-1:]):
        return math.nan
    alive = np.flatnonzero(_alive(rows))
    time = column(rows, "time_s")
    return float(time[alive[-1] + 1] - time[0]) if len(alive) else 0.0


def _powered(rows: Floats) -> bool:
    return bool(np.any(_alive(rows)))


def _alive(rows: Floats) -> NDArray[np.bool_]:
    """Return where the power stage is on; a drive with a fault may stop sending its state."""
    on = np.isin(column(rows, "power_stage"), ALIVE)
    alive: NDArray[np.bool_] = on & (column(rows, "fault_code") == 0.0)
    return alive


def _supply_plot(title: str, *parts: Floats) -> Plot:
    rows = np.concatenate(parts)
    time = column(rows, "time_s")
    return Plot(
        title,
        "time (s)",
        "supply (V)",
        (Trace("supply", time - time[0], column(rows, "supply_V")),),
    )


def _stage_plot(title: str, rows: Floats) -> Plot:
    time = column(rows, "time_s")
    on = _alive(rows).astype(np.float64)
    return Plot(
        title, "time (s)", "power stage (0 off, 1 on)", (Trace("power stage", time - time[0], on),)
    )


STOP_CHAIN = Step(
    "stop_chain",
    "Stop chain",
    happens="You press the hard-wired stop. Then, four times, power comes on without torque while "
    "you hold the hold-to-run control, and is stopped in a different way each time.",
    wrong="A stop may not act; power then stays on without torque. Be ready at the mains switch.",
    clear="Take every weight off; no one within reach of the lever. Power is on, without torque.",
    run=stop_chain,
    energises=True,
    needs=(
        "talk",
        "supply",
        "sensors_at_rest",
        "sensors_by_hand",
        "springs_by_hand",
        "drive_limits",
    ),
    recheck_on_resume=True,
)
