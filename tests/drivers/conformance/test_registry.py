"""Protocols registered by other packages, valid and faulty."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.base import DriverError
from drivers.registry import find_protocol, protocol_names


def install(directory: Path, package: str, entry: str, code: str) -> None:
    (directory / f"{package}.py").write_text(code)
    information = directory / f"{package}-1.dist-info"
    information.mkdir()
    (information / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1\n")
    (information / "entry_points.txt").write_text(f"[hookeline.protocols]\n{entry}\n")


WHOLE = "class Whole:\n name = 'sluice'\n options = object\n make = simulate = None\nit = Whole()\n"


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("import nowhere_at_all", ("does not load", "nowhere_at_all", "uninstall")),
        ("it = 3", ("has no name", "no make", "no simulate", "DEVELOPERS.md")),
        (WHOLE.replace("make = ", ""), ("has no make:",)),
        (WHOLE.replace("'sluice'", "'sluce'"), ("calls itself 'sluce'",)),
        ("", ("does not load",)),
    ],
)
def test_one_that_cannot_be_used_is_one_clear_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str, words: tuple[str, ...]
) -> None:
    package = f"sluice_{len(code)}"  # its own module for each case
    install(tmp_path, package, f"sluice = {package}:it", code)
    monkeypatch.syspath_prepend(str(tmp_path))
    assert "sluice" in protocol_names()
    with pytest.raises(DriverError) as caught:
        find_protocol("sluice")
    assert all(word in str(caught.value) for word in (*words, package))


def test_two_of_one_name_are_refused_and_one_twice_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        install(tmp_path / folder, "sluice_a", "sluice = sluice_a:it", WHOLE)
        monkeypatch.syspath_prepend(str(tmp_path / folder))
    assert find_protocol("sluice").name == "sluice"
    install(tmp_path / "one", "sluice_b", "sluice = sluice_b:it", WHOLE)
    with pytest.raises(DriverError, match=r"sluice_a:it and as sluice_b:it"):
        find_protocol("sluice")


def test_our_own_names_cannot_be_taken_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    install(tmp_path, "sluice_c", "cia402 = sluice_c:it", WHOLE)
    monkeypatch.syspath_prepend(str(tmp_path))
    with pytest.raises(DriverError, match="registered twice"):
        find_protocol("cia402")


def test_one_that_is_not_there_names_what_is_near() -> None:
    with pytest.raises(DriverError, match=r"'cia420'; did you mean 'cia402'\?"):
        find_protocol("cia420")
