"""The compiled cycle computes what its source computes, and a stale build is never used."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drivers.compiled import (
    MODULES,
    UNCOMPILED,
    CompileError,
    build_directory,
    code_digest,
    compile_modules,
)
from drivers.compiled import build as building
from drivers.compiled import modules as sources
from drivers.compiled.finder import CompiledFinder

SESSION = """
import hashlib
from drivers.compiled import compiled_modules
from drivers.simulated.lateness import Lateness
from hil.bench.lockstep import LockstepBench
from hil.core.requests import Apply, ConstantForce, HoldPosition, PowerOn, Reset, Stop, VirtualSpring
from hil.profile.loader import load_profile

told = hashlib.sha256()
for name in ("footplate_trainer", "bench_slide", "footplate_velocity", "footplate_position"):
    profile = load_profile(name)
    bench = LockstepBench(profile, seed=4, lateness=Lateness(share=0.03, up_to_s=0.004))
    middle = profile.actuator.stroke / 2
    rows = bench.run(0.1)
    bench.request(PowerOn(load_supported=True))
    rows += bench.run(0.2)
    for behaviour in (
        HoldPosition(position_m=middle),
        ConstantForce(force_N=40.0, damping_N_s_m=600.0),
        VirtualSpring(rest_m=middle, stiffness_N_m=8e3, damping_N_s_m=900.0, bias_N=10.0),
    ):
        bench.request(Apply(behaviour=behaviour, load_may_move=True))
        bench.environment.push(12.0, 1.0)
        rows += bench.run(0.4)
    bench.environment.disturb("deflection_frozen", True)
    rows += bench.run(0.3)
    bench.request(Stop())
    bench.request(Reset())
    rows += bench.run(0.1)
    told.update(repr([tuple(row) for row in rows]).encode())
    told.update(repr(bench.events).encode())
print(len(compiled_modules()), told.hexdigest())
"""


def session(uncompiled: str) -> tuple[int, str]:
    run = subprocess.run(
        [sys.executable, "-c", SESSION],
        env={**os.environ, UNCOMPILED: uncompiled},
        capture_output=True,
        text=True,
        timeout=80,
    )
    assert run.returncode == 0, run.stderr
    count, digest = run.stdout.split()
    return int(count), digest


@pytest.mark.skipif(not build_directory().is_dir(), reason="nothing is compiled: hookeline compile")
def test_the_compiled_cycle_computes_what_its_source_does_to_the_last_bit() -> None:
    compiled, source = session("0"), session("1")
    assert compiled[0] > 50 and source[0] == 0
    assert compiled[1] == source[1]


@pytest.fixture
def copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a copy of the sources, with their builds beside it."""
    unneeded = shutil.ignore_patterns("__pycache__", "built")
    for package in ("drivers", "hil"):
        shutil.copytree(sources.ROOT / package, tmp_path / package, ignore=unneeded)
    for module in (sources, building):
        monkeypatch.setattr(module, "ROOT", tmp_path)
    monkeypatch.setattr(sources, "BUILDS", tmp_path / "built")
    monkeypatch.setattr(building, "BUILDS", tmp_path / "built")
    return tmp_path


@pytest.mark.parametrize(
    "changed",
    ["hil/control/estimation.py", "hil/profile/schema.py", "drivers/simulated/lateness.py"],
)
def test_a_build_is_not_found_once_a_source_changed_and_again_when_it_is_put_back(
    copied: Path, changed: str
) -> None:
    file = copied / changed
    before, text = build_directory(), file.read_text()
    file.write_text(text + "# another line\n")
    assert build_directory() != before
    file.write_text(text)
    assert build_directory() == before


def test_code_that_changed_since_the_start_has_no_digest(
    copied: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    time.sleep(0.1)
    monkeypatch.setattr(sources, "_STARTED_NS", time.time_ns())
    assert code_digest() == build_directory().name
    file = copied / "hil/control/estimation.py"
    text, old = file.read_text(), file.stat()
    file.write_text(text + "# another line\n")
    assert code_digest() is None
    file.write_text(text)
    os.utime(file, ns=(old.st_atime_ns, old.st_mtime_ns))  # it may have been imported in between
    assert code_digest() is None


def test_every_module_of_the_list_is_there() -> None:
    for module in MODULES:
        assert (sources.ROOT / f"{module.replace('.', '/')}.py").is_file(), module


def test_the_finder_leaves_every_other_module_alone(tmp_path: Path) -> None:
    finder = CompiledFinder(tmp_path)
    assert finder.find_spec("hil.profile.schema") is None
    found = finder.find_spec("hil.control.estimation")
    assert found is not None and str(found.origin).startswith(str(tmp_path))


def test_without_a_compiler_it_says_what_to_install(
    copied: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CC", "no-such-compiler")
    with pytest.raises(CompileError, match=r"no C compiler\. Fix: apt-get install gcc"):
        compile_modules()


def test_a_place_that_cannot_be_written_is_named(
    copied: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (copied / "built").write_text("in the way")
    with pytest.raises(CompileError, match=r"built: .*Fix: run this as the owner"):
        compile_modules()


def test_what_the_compiler_refuses_leaves_the_source_in_use(copied: Path) -> None:
    broken = copied / "hil/control/shaping.py"
    broken.write_text("import nothing_like_this\nthis, not Python\n)")
    with pytest.raises(CompileError, match="the source runs as before"):
        compile_modules()
    assert not list((copied / "built").iterdir())
