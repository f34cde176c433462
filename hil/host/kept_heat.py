"""Files that keep the motor's heat from one rig host to the next.

Each actuator has two small private files in ``$XDG_STATE_HOME/hookeline/heat``. The rig host writes
``NAME.json`` before its first cycle, marked as in use, and again after its last, without the mark.
Meanwhile a separate process (``hil.host.heat_keeper``) writes ``NAME.seen.json``. Each file has one
writer, so neither can overwrite the other's data; a session's name links the two.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import time
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hil.core import (
    PrivateFileError,
    make_private_directory,
    read_private,
    replace_private,
    state_directory,
)
from hil.profile import Profile
from hil.supervision import (
    COLD_START,
    SIMULATED_START,
    HeatAtStart,
    KeptHeat,
    Moment,
    heat_at_start,
    unknown_heat,
)

SCHEMA_VERSION = 1
SEEN_EVERY_S = 2.0
# The keeper writes every 2 s and a disk may delay it; common practice, no source.
UNSEEN_S = 10.0
MOST_SHARE = 100.0
WIRE_KEYS = ("protocol", "node", "bus", "port")


def moment_now() -> Moment:
    """Return the present moment by both clocks."""
    boot = ""
    with contextlib.suppress(OSError):
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    return Moment(time.time(), boot, time.clock_gettime(time.CLOCK_BOOTTIME))


def actuator_name(profile: Profile) -> str:
    """Return the name for an actuator's heat: a hash of its own name and its drive's address."""
    facts = {"actuator": profile.actuator.name, "drive": _place(profile.drive)}
    text = json.dumps(facts, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True)
class HeatFiles:
    """Both files of one actuator for one session of the rig host.

    Attributes:
        file: file of the rig host.
        seen: file of the keeper.
        session: links the two.
        continuous_current_A: continuous current of the profile.
    """

    file: Path
    seen: Path
    session: str
    continuous_current_A: float

    @classmethod
    def of(cls, profile: Profile, session: str = "") -> HeatFiles:
        """Return the files for a profile's actuator; a new session if none is named."""
        directory, name = state_directory("heat"), actuator_name(profile)
        return cls(
            directory / f"{name}.json",
            directory / f"{name}.seen.json",
            session or uuid.uuid4().hex,
            profile.actuator.motor.continuous_current,
        )

    def begin(self, profile: Profile, now: Moment) -> tuple[HeatAtStart, str]:
        """Read what was kept, then mark the actuator as in use.

        Returns:
            The heat to begin with, and a notice if nothing can be kept, else "".
        """
        start = self._read_start(profile, now)
        notice = ""
        try:
            make_private_directory(self.file.parent)
            self._write(self.file, start.winding, start.housing, now, in_use=True)
        except (OSError, PrivateFileError) as error:
            notice = f"the motor's heat cannot be kept for the next start: {error}"
        return start, notice

    def end(self, winding: float, housing: float, now: Moment) -> None:
        """Keep the heat of a session that ended in order.

        Raises:
            OSError: it cannot be written; the in-use mark then stays.
        """
        self._write(self.file, winding, housing, now, in_use=False)
        self.seen.unlink(missing_ok=True)

    def see(self, winding: float, housing: float, now: Moment) -> None:
        """Keep the heat of a session that continues.

        Raises:
            OSError: it cannot be written.
        """
        self._write(self.seen, winding, housing, now, in_use=True)

    def _write(
        self, file: Path, winding: float, housing: float, now: Moment, *, in_use: bool
    ) -> None:
        kept = {
            "schema_version": SCHEMA_VERSION,
            "session": self.session,
            "in_use": in_use,
            "winding": winding,
            "housing": housing,
            "continuous_current_A": self.continuous_current_A,
            "wall_s": now.wall_s,
            "boot": now.boot,
            "boot_s": now.boot_s,
        }
        replace_private(file, json.dumps(kept, indent=1))

    def _read_start(self, profile: Profile, now: Moment) -> HeatAtStart:
        try:
            kept = _read(self.file)
        except FileNotFoundError:
            return COLD_START
        except (OSError, PrivateFileError, ValueError) as error:
            return unknown_heat(profile, f"the kept heat cannot be relied on ({error})")
        in_use = kept["in_use"]
        unseen_s = math.inf if in_use else 0.0
        if in_use:
            with contextlib.suppress(OSError, PrivateFileError, ValueError):
                seen = _read(self.seen)
                if seen["session"] == kept["session"]:
                    kept, unseen_s = seen, UNSEEN_S
        at = Moment(kept["wall_s"], kept["boot"], kept["boot_s"])
        return heat_at_start(
            profile,
            KeptHeat(kept["winding"], kept["housing"], at, kept["continuous_current_A"], unseen_s),
            now,
        )


def begin_heat(profile: Profile, simulated: bool) -> tuple[HeatFiles | None, HeatAtStart, str]:
    """Return the files that keep the motor's heat, the heat to begin with, and a notice or "".

    A simulated rig begins cold at every start, so nothing is kept for it.
    """
    if simulated:
        return None, SIMULATED_START, ""
    files = HeatFiles.of(profile)
    start, notice = files.begin(profile, moment_now())
    return files, start, notice


def _read(file: Path) -> dict[str, Any]:
    """Return the values of a file, each of its type and in range.

    Raises:
        OSError, PrivateFileError: it cannot be read.
        ValueError: it is damaged or of another version.
    """
    try:
        kept = json.loads(read_private(file))
    except (ValueError, RecursionError):
        raise ValueError(f"'{file}' is damaged") from None
    if not isinstance(kept, dict) or kept.get("schema_version") != SCHEMA_VERSION:
        raise ValueError(f"'{file}' is damaged or of another version")
    most = {"winding": MOST_SHARE, "housing": MOST_SHARE, "continuous_current_A": 1e6}
    for name, largest in {**most, "wall_s": 1e12, "boot_s": 1e12}.items():
        value = kept.get(name)
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not 0.0 <= value <= largest
        ):
            raise ValueError(f"'{file}' is damaged: {name} is {value!r}")
    for name, kind in (("session", str), ("boot", str), ("in_use", bool)):
        if type(kept.get(name)) is not kind:
            raise ValueError(f"'{file}' is damaged: {name} is {kept.get(name)!r}")
    return kept


def _place(drive: Mapping[str, Any]) -> dict[str, Any]:
    place = {key: drive[key] for key in WIRE_KEYS if key in drive}
    members = drive.get("members")
    if isinstance(members, Mapping):
        place["members"] = {
            name: _place(member) for name, member in members.items() if isinstance(member, Mapping)
        }
    return place
