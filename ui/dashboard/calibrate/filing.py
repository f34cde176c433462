"""Filing of a finished calibration: another law for it, its file, its place in a profile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from hil.calibration import (
    FOLDER,
    LAWS,
    CalibrationFile,
    CalibrationFileError,
    CalibrationFinding,
    CalibrationResult,
    Options,
    PlannedLoad,
    evaluate,
    keep_calibration,
    use_in_profile,
)
from hil.profile import SHIPPED, ProfileError
from ui.dashboard.bench import OperateModel


def law_again(
    measured: CalibrationResult, options: Options, plan: Sequence[PlannedLoad], law: str
) -> CalibrationResult:
    """Evaluate the points of a calibration with one law.

    Args:
        measured: result of the procedure, its law by evidence.
    """

    def found(laws: Sequence[str], more: Sequence[CalibrationFinding]) -> CalibrationResult:
        return evaluate(
            measured.profile,
            options.accuracy,
            laws,
            measured.points,
            measured.sensor,
            more,
            len(plan),
            measured.loads,
        )

    # Findings of the procedure itself do not follow from the points.
    anew = {(f.code, f.sentence) for f in found(LAWS, ()).findings}
    return found((law,), [f for f in measured.findings if (f.code, f.sentence) not in anew])


class Filing:
    """Files of calibrations.

    Args:
        runs: folder of runs, None if not known.
        profile_file: the rig's profile, if it is on this computer.

    Attributes:
        folder: next to the user's own profile, else next to the folder of runs.
        own: the profile, if it may be written to; a shipped one may not.
    """

    def __init__(self, runs: Path | None, profile_file: Path | None) -> None:
        shipped = profile_file is not None and profile_file.resolve().is_relative_to(SHIPPED)
        self.own = None if shipped else profile_file
        beside = self.own or runs
        self.folder = beside.parent / FOLDER if beside is not None else Path(FOLDER)

    def keep(
        self,
        result: CalibrationResult,
        model: OperateModel,
        drive: str,
        note: str,
        conditions: Mapping[str, str | float],
    ) -> CalibrationFile:
        """Keep a calibration, see ``hil.calibration.archive``; takes a second or two."""
        name = str(model.description.get("profile_path") or model.profile.name)
        return keep_calibration(
            self.folder,
            result,
            profile_file=name,
            drive=drive,
            simulated=model.simulated,
            note=note,
            conditions=conditions,
        )

    def put_into_profile(self, file: CalibrationFile) -> str:
        """Write it where the next start reads it; return the outcome as text."""
        if self.own is None:
            return (
                "It lasts until the bench ends; to keep it in the profile: hookeline calibrate "
                f"--use {file.path} --profile YOUR_PROFILE.yaml"
            )
        try:
            written = use_in_profile(file, self.own)
        except (CalibrationFileError, ProfileError, OSError) as error:
            return f"It was not written into the profile: {error}"
        return "Written into " + ", ".join(
            f"{change.file} (backup: {change.backup})" for change in written
        )
