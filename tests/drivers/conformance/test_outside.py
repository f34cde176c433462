"""A protocol from another package, found by its entry point, passes the same suite."""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from conformance_suite import DriveConformance

pytestmark = pytest.mark.real_time

OUTSIDE = Path(__file__).parent / "outside"


def install(directory: Path) -> None:
    """Install as an installer does: the packages, and beside them the project's metadata."""
    about = tomllib.loads((OUTSIDE / "pyproject.toml").read_text())
    project = about["project"]
    for package in about["tool"]["setuptools"]["packages"]:
        shutil.copytree(OUTSIDE / package, directory / package)
    name = project["name"].replace("-", "_")
    information = directory / f"{name}-{project['version']}.dist-info"
    information.mkdir()
    (information / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n"
    )
    lines = []
    for group, entries in project["entry-points"].items():
        lines += [f"[{group}]", *(f"{key} = {value}" for key, value in entries.items())]
    (information / "entry_points.txt").write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module", autouse=True)
def installed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    directory = tmp_path_factory.mktemp("installed")
    install(directory)
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(directory))
        yield directory


class TestPostern(DriveConformance):
    def drive(self, host_loss: str) -> dict[str, Any]:
        return {
            "protocol": "postern",
            "port": {"path": "/dev/ttyUSB0"},
            "key": 0x5EA1,
            "host_loss": host_loss,
            "silence": "100 ms",
        }
