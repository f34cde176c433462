"""What becomes of a finished calibration: another law for it, its file, its place in a profile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from hil.calibrating.calibration_file import CalibrationFile, CalibrationFileError
from hil.calibrating.evaluation import evaluate
from hil.calibrating.filing import keep_calibration
from hil.calibrating.laws import LAWS
from hil.calibrating.profile_part import use_in_profile
from hil.calibrating.result import CalibrationResult
from hil.calibrating.session import Options, PlannedLoad
from hil.profile.loader import SHIPPED
from hil.profile.problems import ProfileError
from ui.dashboard.operate_model import OperateModel

# What the procedure itself found; all else is found anew from the points.
OF_THE_PROCEDURE = ("stopped", "near_rail", "no_sensor_law")


def law_again(
    result: CalibrationResult, options: Options, plan: Sequence[PlannedLoad], law: str
) -> CalibrationResult:
    """The same points with one law, or with ``auto`` the one that they speak for."""
    laws = LAWS if law == "auto" else (law,)
    found = [f for f in result.findings if f.code in OF_THE_PROCEDURE and not f.points]
    return evaluate(
        result.profile, options.accuracy, laws, result.points, result.sensor, found, len(plan)
    )


class Filing:
    """Puts calibrations on file.

    Args:
        folder: where they are kept.

    Attributes:
        profile_file: the rig's profile, if it is on this computer and one's own; else None.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.profile_file: Path | None = None

    def keep(
        self,
        result: CalibrationResult,
        model: OperateModel,
        drive: str,
        note: str,
        conditions: Mapping[str, str | float],
    ) -> CalibrationFile:
        """See ``hil.calibrating.filing.keep_calibration``; takes a second or two."""
        name = str(model.description.get("profile_path") or model.profile.name)
        return keep_calibration(
            self.folder, result, profile_file=name, drive=drive, simulated=model.simulated,
            note=note, conditions=conditions,
        )  # fmt: skip

    def put_into_profile(self, file: CalibrationFile) -> str:
        """Write it where the next start reads it; returns in words what came of it."""
        own = self.profile_file
        if own is None or own.resolve().is_relative_to(SHIPPED):
            return (
                "It lasts until the bench ends; to keep it in the profile: hookeline calibrate "
                f"--use {file.path} --profile YOUR_PROFILE.yaml"
            )
        try:
            written = use_in_profile(file, own)
        except (CalibrationFileError, ProfileError, OSError) as error:
            return f"It was not written into the profile: {error}"
        return "Written into " + ", ".join(
            f"{change.file} (as it was: {change.backup})" for change in written
        )
