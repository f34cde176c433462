"""A package on another bench: adopted as a profile, data sheet compared, refused if changed."""

from __future__ import annotations

import copy as copies
import json
import zipfile
from pathlib import Path
from typing import Any

import pytest

from hil.handover import PackageError, receive, take_profile
from hil.handover.law_file import profile_sha256
from hil.profile import load_profile, profile_to_dict
from tests.hil.handover.in_package import SHEET, changed, manifest_forged
from ui import cli


def measured(folder: Path, **values: float) -> Path:
    """Write a data sheet of this bench that differs by these values, by figure name."""
    sheet = copies.deepcopy(SHEET)
    for figure in sheet["figures"]:
        figure["value"] += values.get(figure["name"].split(".")[0], 0.0)
    folder.mkdir()
    (folder / "data_sheet.json").write_text(json.dumps(sheet))
    return folder


@pytest.mark.parametrize("form", ["folder", "zip"])
def test_a_package_is_a_profile_of_another_bench_and_its_sheet_is_compared(
    form: str, package: Path, tmp_path: Path, capfd: Any
) -> None:
    given = package if form == "folder" else package.with_name("law.zip")
    out, here = tmp_path / "my_rig", measured(tmp_path / "measured", springs=0.5, friction=0.1)
    words = ("take-over", str(given), "--out", str(out), "--measured", str(here), "--json")
    assert cli.main(words) == 0
    data = json.loads(capfd.readouterr().out)
    assert data["differing"] == [] and len(data["figures"]) == 3
    scores = {figure["name"]: figure["e_n"] for figure in data["figures"]}
    assert scores["springs.rate"] == pytest.approx(0.5 / (0.6 * 2**0.5))
    taken, sent = (
        profile_to_dict(load_profile(path)) for path in (data["profile"], "footplate_trainer")
    )
    boards = [Path(profile["drive"].pop("eds")) for profile in (taken, sent)]
    assert boards[0].parent == out and boards[0].read_bytes() == boards[1].read_bytes()
    assert taken == sent
    prints = [profile_sha256(load_profile(path)) for path in (data["profile"], "footplate_trainer")]
    assert prints[0] == prints[1]
    assert any("'simulation' part" in note for note in data["notes"])


def test_a_figure_that_differs_is_named_and_ends_in_one(
    package: Path, tmp_path: Path, capfd: Any
) -> None:
    here = measured(tmp_path / "measured", springs=-3.0)
    assert cli.main(("take-over", str(package), "--measured", str(here))) == 1
    said = capfd.readouterr()
    line = next(text for text in (said.out + said.err).splitlines() if "Spring rate" in text)
    assert "DIFFERS" in line and "E_n  -3.54" in line


def test_what_is_not_there_is_one_line_with_a_fix(
    package: Path, copy: Path, tmp_path: Path, capfd: Any
) -> None:
    (tmp_path / "taken").mkdir()
    (tmp_path / "empty").mkdir()
    for words, part in (
        ((str(package), "--out", str(tmp_path / "taken")), "already exists"),
        ((str(package), "--measured", str(tmp_path / "none")), "Fix: name a folder"),
        ((str(tmp_path / "empty"),), "not a package"),
        ((str(tmp_path / "none.zip"),), "not a package"),
        ((str(package / "README.md"),), "not a package"),
    ):
        assert cli.main(("take-over", *words)) == 2
        err = capfd.readouterr().err
        assert part in err and "Traceback" not in err, err
    for name in ("data_sheet", "profile"):
        manifest = json.loads((copy / "manifest.json").read_text())
        law = json.loads((copy / "law.json").read_text())
        prints = {k: v for k, v in law["fingerprints"].items() if not k.startswith(name)}
        changed(copy, forged=True, fingerprints=prints)
        kept = {k: v for k, v in manifest.items() if not k.startswith(name)}
        (copy / "manifest.json").write_text(json.dumps(kept))
        manifest_forged(copy)
    bare = receive(copy)
    with pytest.raises(PackageError, match=r"no data sheet.*Fix"):
        _ = bare.sheet
    with pytest.raises(PackageError, match=r"no profile.*Fix"):
        take_profile(bare, tmp_path / "other")
    assert not (tmp_path / "other").exists()


@pytest.mark.parametrize(
    ("name", "forged", "words"),
    [
        ("profile/profile.yaml", False, r"^altered: .*profile\.yaml"),
        ("law.json", False, r"^altered: .*law\.json"),
        ("law.json", True, r"^altered: .*its values give"),
        ("profile/profile.yaml", True, r"^of another law: .*profile\.yaml"),
        ("data_sheet/data_sheet.json", True, r"^of another law: .*data_sheet\.json"),
    ],
)
def test_a_changed_package_is_refused_by_name(
    copy: Path, name: str, forged: bool, words: str
) -> None:
    text = (copy / name).read_text()
    at = text.index("footplate trainer")
    (copy / name).write_text(f"{text[:at]}footplate trainee{text[at + 17 :]}")
    if forged:
        manifest_forged(copy)
    with pytest.raises(PackageError, match=words):
        receive(copy)


def test_damage_is_refused_by_name(copy: Path, package: Path, tmp_path: Path) -> None:
    (copy / "c" / "law.c").unlink()
    with pytest.raises(PackageError, match=r"damaged: .*law\.c is missing"):
        receive(copy)
    for content in ("{", "7", "[]", "null"):
        (copy / "manifest.json").write_text(content)
        with pytest.raises(PackageError, match=r"^(damaged|not a package): .*Fix"):
            receive(copy)
    whole = package.with_name("law.zip").read_bytes()
    (tmp_path / "half.zip").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(PackageError, match="not a package"):
        receive(tmp_path / "half.zip")


def test_a_zip_writes_nothing_but_its_manifest_names(package: Path, tmp_path: Path) -> None:
    given = tmp_path / "law.zip"
    given.write_bytes(package.with_name("law.zip").read_bytes())
    with zipfile.ZipFile(given, "a") as archive:
        archive.writestr("law/profile/more.yaml", "x: 1")
        archive.writestr("law/profile/../../escaped.yaml", "x: 1")
    take_profile(receive(given), tmp_path / "deep" / "rig")
    assert sorted(p.name for p in (tmp_path / "deep" / "rig").iterdir()) == [
        "bench_cia402.eds",
        "profile.yaml",
    ]
    assert not list(tmp_path.glob("**/escaped.yaml"))
