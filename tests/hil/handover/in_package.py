"""Actions of a receiver on a package, and the changes that a package may have suffered."""

from __future__ import annotations

import datetime
import hashlib
import importlib
import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from hil.handover.law_file import identity
from tests.hil.handover.simulated_adapter import open_rig

SHEET: dict[str, Any] = {
    "data_sheet": 1,
    "profile": "footplate trainer",
    "figures": [
        {
            **dict.fromkeys(("predicted", "predicted_u95", "limit", "truth")),
            "name": name,
            "title": title,
            "value": value,
            "u95": u95,
            "unit": unit,
            "run": "0001-invented",
        }
        for name, title, value, u95, unit in (
            ("springs.rate", "Spring rate, both sets", 120.0, 0.6, "N/mm"),
            ("friction.dry", "Dry friction", 32.0, 0.1, "mN·m"),
            ("force_response.bandwidth", "Bandwidth", 25.0, 0.5, "Hz"),
        )
    ],
}


def python_law(folder: Path) -> ModuleType:
    """Return the package's Python law, independent of other imported laws."""
    start = folder / "python" / "hookeline_law" / "__init__.py"
    name = f"law_{abs(hash(str(folder)))}"
    spec = importlib.util.spec_from_file_location(
        name, start, submodule_search_locations=[str(start.parent)]
    )
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def ran(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run a program as a receiver would, without a terminal."""
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    environment["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    environment["CFLAGS"] = "-O0"  # compiling with optimisation takes ten times as long
    return subprocess.run(
        words, cwd=cwd, env=environment, capture_output=True, text=True, start_new_session=True
    )


def run_pytest(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run pytest in a package."""
    return ran(
        sys.executable, "-m", "pytest", "-q", "-rfs", "-p", "no:cacheprovider", *words, cwd=folder
    )


def failed(done: subprocess.CompletedProcess[str], whole: bool = False) -> set[str]:
    """Return the names of the failed tests; ``whole``: with their parameters."""
    assert "passed" in done.stdout, done.stdout + done.stderr
    names = {
        line.split("::")[1].split(" - ")[0].strip()
        for line in done.stdout.splitlines()
        if line.startswith(("FAILED", "ERROR"))
    }
    return names if whole else {name.split("[")[0] for name in names}


def accepted(folder: Path, *more: str) -> set[str]:
    """Return the names of the acceptance tests that fail."""
    return failed(run_pytest(folder, "acceptance", *more))


def changed(folder: Path, forged: bool = False, **values: Any) -> None:
    """Change values of law.json; ``forged`` stores the matching fingerprint."""
    path = folder / "law.json"
    data = json.loads(path.read_text())
    data |= values
    if forged:
        data["identity"] = identity(data)
    path.write_text(json.dumps(data))


def manifest_forged(folder: Path) -> None:
    """Rewrite the manifest to match the present files."""
    path = folder / "manifest.json"
    names = json.loads(path.read_text())
    digests = {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in names}
    path.write_text(json.dumps(digests))


def renewed(folder: Path) -> None:
    """Date the calibration today and rewrite fingerprint and manifest.

    Earlier changes then count as part of the law.
    """
    data = json.loads((folder / "law.json").read_text())
    today = datetime.date.today().isoformat()
    changed(folder, forged=True, calibration=data["calibration"] | {"dated": today})
    forged = json.loads((folder / "law.json").read_text())["identity"]
    for name in ("c/law.h", "actuator.urdf"):
        path = folder / name
        path.write_text(path.read_text().replace(data["identity"], forged))
    import yaml

    (folder / "law.yaml").write_text(yaml.safe_dump(json.loads((folder / "law.json").read_text())))
    manifest_forged(folder)


# ------------------------------------------------------------------------ its tests of a rig

MODULES = ("hookeline_law", "hands", "guarded", "report", "test_rig")


def imported(package: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    for folder in ("python", "acceptance"):
        monkeypatch.syspath_prepend(str(package / folder))
    for name in [name for name in sys.modules if name.split(".")[0] in MODULES]:
        monkeypatch.delitem(sys.modules, name)
    return importlib.import_module("test_rig")


def acts_of(module: ModuleType) -> list[Any]:
    return [act for name, act in vars(module).items() if name.startswith("test_")]


def guarded_rig(package: Path, **rig: Any) -> Any:
    data = json.loads((package / "law.json").read_text())
    adapter = open_rig(**rig)
    hands = importlib.import_module("hands").Simulated(adapter)
    return importlib.import_module("guarded").Guarded(adapter, data, hands)
