"""Names of the modules that are compiled, and the place of their build."""

from __future__ import annotations

import hashlib
import os
import sys
import sysconfig
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BUILDS = Path(__file__).with_name("built")
# The package imports this module before any other of its own.
_STARTED_NS = time.time_ns()
_CLOCK_STEP_NS = 50_000_000  # of the times of files; ample

# Modules whose code runs in each cycle, by room, with the base classes that they need. The rest of
# these rooms runs once, at the start or on a request, and stays as it is.
HOT = {
    "drivers": "exchange",
    "drivers/cia402": "drive reception state_machine",
    "drivers/transport": "local_socket_bus",
    "drivers/simulated": (
        "drive_core encoder_mount faulty_wiring injected_fault injected_faults lockstep loop_targets "
        "physics rig_state screw_friction sensor_mount stepped_rig substep turning_hand warming"
    ),
    "hil/bench": "applying asking bench_state capping cycle external facts powering referencing",
    "hil/control": (
        "calibration commissioning drive_loop dry_friction estimation external force_controller load_motion "
        "observer_gains position_target power_removal power_sequence reference_seek shaping "
        "velocity_controller"
    ),
    "hil/host": "host pacing pauses replay_notes",
    "hil/link": "local_port receiver server sources zmtp",
    "hil/supervision": (
        "bounds carried_load energy falling_weight followed following force_caps idle_travel leaving "
        "limit_notices motor_heat motor_sensor_watch outside_stroke position_following readiness "
        "resting_noise sensor_watch spring_law_watch supervision telemetry_age torque_caps"
    ),
}
# Sources of the types and constants in the compiled code.
READ = ("drivers/*.py", "hil/core/*.py", "hil/profile/*.py", *(f"{room}/*.py" for room in HOT))

SOURCES = tuple(f"{room}/{name}.py" for room, names in HOT.items() for name in names.split())
MODULES = tuple(source[:-3].replace("/", ".") for source in SOURCES)
RECIPE = "1"  # of __main__.py; another one makes another build


def digest() -> str:
    """Return the digest of the interpreter and of every source that the compiled code depends on."""
    found = hashlib.sha256()
    for part in (RECIPE, sys.version, str(sysconfig.get_config_var("SOABI")), *MODULES):
        found.update(part.encode() + b"\0")
    for source in _sources():
        found.update(os.fsencode(source.relative_to(ROOT)) + b"\0")
        found.update(source.read_bytes() + b"\0")
    return found.hexdigest()[:32]


def code_digest() -> str | None:
    """Return the digest of the code that this process runs; None if a source changed after its start.

    A source that changed later may have been imported before or after.
    """
    newest = max(source.stat().st_ctime_ns for source in _sources())
    return digest() if newest < _STARTED_NS - _CLOCK_STEP_NS else None


def _sources() -> Iterator[Path]:
    for pattern in READ:
        yield from sorted(ROOT.glob(pattern))


def build_directory() -> Path:
    """Return the directory of the current source's build, which need not exist."""
    return BUILDS / digest()
