"""Named spring sets: a profile for each, with its own calibration and verification."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from hil.calibration.fingerprint import facts_hash, rig_facts
from hil.control import safety_fingerprint, standing, verify
from hil.profile import (
    SHIPPED,
    Profile,
    ProfileError,
    choose_spring_set,
    load_profile,
    rig_sets,
    spring_sets,
)
from ui.manual import find_topic, page_text

pytestmark = pytest.mark.usefixtures("own_state")


def of_the_manual(folder: Path) -> Profile:
    """Return the set of springs from the manual's example."""
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
    assert standing(stiff).open and standing(soft).open  # neither withdraws the other
    hashes = {facts_hash(profile.name, rig_facts(profile)) for profile in (stiff, soft)}
    assert len(hashes) == 2  # a calibration of one is refused for the other


def two_sets(folder: Path) -> Path:
    rig = folder / "my_rig.yaml"
    rig.write_text("based_on: bench_slide.yaml\nname: my rig, stiff springs\n")
    page = page_text(find_topic("profile"))
    [text] = [t for t in re.findall(r"```text\n(.*?)```", page, re.S) if "rate_per_set" in t]
    (folder / "soft.yaml").write_text(text)
    (folder / "copy.yaml").write_text("based_on: my_rig.yaml\nname: another limit, same springs\n")
    pattern = text.replace("my_rig.yaml", "bench_slide.yaml").replace("my rig, soft", "your rig's")
    (folder / "yours.yaml").write_text(pattern)  # another rig, begun with the same pattern
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


BROKEN = {
    "broken.yaml": "based_on: my_rig.yaml\nactuator: [\n",
    "wrong_rate.yaml": "based_on: my_rig.yaml\nname: hard\nactuator:\n  springs: {rate_per_set: 3 kg}\n",
    "spelt.yaml": "based_on: 'my_rig.yaml'  # of this rig\nname: spelt\nactuater: {}\n",
}


def test_a_profile_of_the_rig_that_cannot_be_read_is_named_with_the_reason(tmp_path: Path) -> None:
    rig = two_sets(tmp_path)
    for name, text in BROKEN.items():
        (tmp_path / name).write_text(text)
    (tmp_path / "of_another.yaml").write_text("based_on: other.yaml\nname: [\n")
    (tmp_path / "no_profile.yaml").write_text("shopping: [\n")
    found = rig_sets(rig)
    assert [one.file.name for one in found.broken] == sorted(BROKEN)
    broken, spelt, wrong = map(str, found.broken)
    assert broken.startswith("'broken.yaml' is left out: line 3: ")
    assert "actuater" in spelt and "line 3" in spelt and "; " in spelt  # with the fix
    assert "rate_per_set" in wrong and "line 4" in wrong
    assert [one.name for one in found.sets] == [one.name for one in spring_sets(rig)]


def test_what_is_left_out_is_reported_where_sets_are_listed_and_where_one_is_not_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from ui import cli
    from ui.commands.springs import choice_of

    rig = two_sets(tmp_path)
    (tmp_path / "soft.yaml").unlink()
    assert cli.main(["check", str(rig), "--json"]) == 0
    said = capsys.readouterr().out
    [left_out] = json.loads(said.splitlines()[-1])["spring_sets_left_out"]
    assert left_out.startswith("'broken.yaml' is left out: ")
    assert cli.main(["check", str(rig)]) == 0
    wrapped = capsys.readouterr().out
    assert f"springs: {left_out} " in " ".join([*wrapped.split(), ""])
    choice = choice_of(str(rig))
    assert choice is not None and choice.left_out == (left_out,) and len(choice.sets) == 1
    with pytest.raises(ProfileError, match=r"no set.*\n.*'broken.yaml' is left out"):
        choose_spring_set(rig, "broken")
