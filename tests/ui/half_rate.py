"""The shipped trainer at half its rate, for tests of pages: a bench that is alive costs half."""

from __future__ import annotations

import shutil
from pathlib import Path

from hil.profile import SHIPPED

TRAINER = "footplate_trainer.yaml"


def trainer_at_half_rate(folder: Path) -> Path:
    """Copy the shipped profiles to ``folder/mine``; return the file of the trainer at 500 Hz."""
    shutil.copytree(SHIPPED, folder / "mine")
    file = folder / "mine" / TRAINER
    text = file.read_text(encoding="utf-8")
    assert "rate: 1000 Hz" in text
    file.write_text(text.replace("rate: 1000 Hz", "rate: 500 Hz"), encoding="utf-8")
    return file
