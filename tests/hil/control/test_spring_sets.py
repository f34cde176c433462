"""Sets of springs with names: a profile each, with a calibration and a verification of its own."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from hil.calibration.fingerprint import facts_hash, rig_facts
from hil.control import safety_fingerprint, standing, verify
from hil.profile import SHIPPED, Profile, ProfileError, choose_spring_set, load_profile, spring_sets
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


def two_sets(folder: Path) -> Path:
    rig = folder / "my_rig.yaml"
    rig.write_text("based_on: bench_slide.yaml\nname: my rig, stiff springs\n")
    page = page_text(find_topic("profile"))
    [text] = [t for t in re.findall(r"```text\n(.*?)```", page, re.S) if "rate_per_set" in t]
    (folder / "soft.yaml").write_text(text)
    (folder / "copy.yaml").write_text("based_on: my_rig.yaml\nname: another limit, same springs\n")
    pattern = text.replace("my_rig.yaml", "bench_slide.yaml").replace("my rig, soft", "your rig's")
    (folder / "yours.yaml").write_text(pattern)  # another rig that began with the same pattern
    (folder / "broken.yaml").write_text("based_on: my_rig.yaml\nactuator: [\n")
    (folder / "other.yaml").write_text("based_on: footplate_trainer.yaml\nname: not this rig\n")
    return rig


def test_the_sets_of_a_rig_are_found_beside_it_from_each(tmp_path: Path) -> None:
    rig = two_sets(tmp_path)
    stiff, soft = "my rig, stiff springs", "my rig, soft springs"
    assert [one.name for one in spring_sets(rig)] == [stiff, soft]
    assert spring_sets(tmp_path / "soft.yaml")[0].name == soft
    assert len(spring_sets(tmp_path / "soft.yaml")) == 2
    assert [one.name for one in spring_sets("footplate_trainer")] == ["footplate trainer"]


@pytest.mark.parametrize("words", ["soft", "my rig, SOFT springs", "Soft springs"])
def test_a_set_is_chosen_by_its_name_or_a_part_of_it(tmp_path: Path, words: str) -> None:
    assert choose_spring_set(two_sets(tmp_path), words).file.name == "soft.yaml"


@pytest.mark.parametrize(
    ("words", "why"), [("springs", "more than one set"), ("sofd", "no set of springs")]
)
def test_what_means_no_set_is_refused(tmp_path: Path, words: str, why: str) -> None:
    with pytest.raises(ProfileError, match=why):
        choose_spring_set(two_sets(tmp_path), words)


def test_check_lists_the_sets_and_a_bench_says_which_it_took(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from ui import cli
    from ui.commands import serve

    rig = two_sets(tmp_path)
    assert cli.main(["check", str(rig), "--json"]) == 0
    sets = json.loads(capsys.readouterr().out.splitlines()[-1])["spring_sets"]
    assert [one["rate_per_set_N_per_mm"] for one in sets][1] == pytest.approx(15.0)
    assert {one["name"] for one in sets} == {"my rig, stiff springs", "my rig, soft springs"}
    begun: list[str] = []

    def start(profile: str, *_: object) -> None:
        begun.append(profile)
        raise KeyboardInterrupt

    monkeypatch.setattr(serve, "start_bench", start)
    cli.main(["serve", "--profile", str(rig), "--springs", "soft"])
    assert Path(begun[0]).name == "soft.yaml"
    said = capsys.readouterr()
    assert "springs: 'my rig, soft springs', 15 N/mm a set" in said.out + said.err
    assert cli.main(["serve", "--profile", str(rig), "--springs", "hard"]) == 2
    assert "no set of springs" in capsys.readouterr().err
    assert len(begun) == 1
