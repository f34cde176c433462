"""Sets of springs with names: a profile each, with a calibration and a verification of its own."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hil.calibration.fingerprint import facts_hash, rig_facts
from hil.control import safety_fingerprint, standing, verify
from hil.profile import SHIPPED, Profile, load_profile
from ui.manual import find_topic, page_text

pytestmark = pytest.mark.usefixtures("own_state")


def of_the_manual(folder: Path) -> Profile:
    """The set of springs that the manual writes."""
    page = page_text(find_topic("profile"))
    [text] = [t for t in re.findall(r"```text\n(.*?)```", page, re.S) if "rate_per_set" in t]
    file = folder / "soft_springs.yaml"
    file.write_text(text.replace("my_rig.yaml", str(SHIPPED / "bench_slide.yaml")))
    return load_profile(file)


def test_each_set_has_its_own_verification_and_calibration(tmp_path: Path) -> None:
    stiff = load_profile("bench_slide").model_copy(update={"simulation": None})
    soft = of_the_manual(tmp_path).model_copy(update={"simulation": None})
    assert soft.name != stiff.name and soft.actuator.springs != stiff.actuator.springs
    assert soft.limits.force.limited < stiff.limits.force.limited
    assert safety_fingerprint(soft) != safety_fingerprint(stiff)
    verify(stiff, tmp_path, "2026-01-02T03:04:05+00:00")
    assert standing(stiff).open and not standing(soft).open
    verify(soft, tmp_path, "2026-01-03T03:04:05+00:00")
    assert standing(stiff).open and standing(soft).open  # neither takes the other back
    hashes = {facts_hash(profile.name, rig_facts(profile)) for profile in (stiff, soft)}
    assert len(hashes) == 2  # what is calibrated for one is refused for the other
