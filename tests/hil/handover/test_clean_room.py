"""Both laws with nothing else present: the C law with gcc and make, the Python law with numpy.

``python -m pytest tests/hil/handover/test_clean_room.py`` is the whole check. The C law's room is a
root directory of its own, in namespaces without network, with four programs in it. Where the system
does not allow that, the room is an empty environment whose PATH leads to these four alone. The
fresh environment links this environment's numpy file by file: no package index is needed.
"""

from __future__ import annotations

import importlib.metadata
import json
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

import pytest

PROGRAMS = ("gcc", "make", "as", "ld")
SYSTEM = "/usr/sbin:/usr/bin:/sbin:/bin"
# $1: the room. Libraries and headers of the system are mounted in it, its programs are not.
FURNISH = """
set -e
for place in lib lib64 include; do
    [ -d /usr/$place ] || continue
    mkdir -p "$1/usr/$place"
    mount --rbind /usr/$place "$1/usr/$place"
done
for place in /lib /lib64; do
    [ -L $place ] && ln -s "$(readlink $place)" "$1$place"
done
room=$1
shift
exec env -i PATH=/usr/bin "$CHROOT" "$room" "$@"
"""
pytestmark = pytest.mark.skipif(
    not all(map(shutil.which, PROGRAMS)), reason="no gcc or make: the C law is not built"
)


def furnished(package: Path, room: Path) -> Path:
    """Copy the four programs and the package's C law into a room."""
    programs = room / "usr" / "bin"
    programs.mkdir(parents=True)
    for name in PROGRAMS:
        found = shutil.which(name)
        assert found is not None
        shutil.copy(Path(found).resolve(), programs / name)
    (room / "tmp").mkdir()
    for folder in ("c", "vectors"):
        shutil.copytree(package / folder, room / "law" / folder)
    return programs


def test_gcc_and_make_alone_build_the_c_law_in_a_root_of_its_own(
    package: Path, tmp_path: Path
) -> None:
    room = tmp_path / "room"
    furnished(package, room)
    words = [shutil.which("unshare", path=SYSTEM) or "unshare", "-rmn", "sh", "-c", FURNISH, "sh"]
    chroot = shutil.which("chroot", path=SYSTEM)
    environment = {"PATH": SYSTEM, "CHROOT": chroot or "chroot"}

    def inside(*command: str) -> subprocess.CompletedProcess[str]:
        for name in ("lib", "lib64"):
            (room / name).unlink(missing_ok=True)
        return subprocess.run(
            [*words, str(room), *command], env=environment, capture_output=True, text=True
        )

    if chroot is None or inside("/usr/bin/gcc", "--version").returncode != 0:
        pytest.skip("no namespaces here; the scrubbed environment is checked in their place")
    assert sorted(path.name for path in (room / "usr" / "bin").iterdir()) == sorted(PROGRAMS)
    done = inside("/usr/bin/make", "-C", "/law/c", "CC=gcc", "CFLAGS=-O0", "check")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": passed") == 4
    assert not list((package / "c").glob("check_*"))


def test_gcc_and_make_alone_build_the_c_law_in_an_empty_environment(
    package: Path, tmp_path: Path
) -> None:
    programs = furnished(package, tmp_path / "room")
    for name in PROGRAMS:  # gcc locates its other parts relative to itself
        found = shutil.which(name)
        assert found is not None
        (programs / name).unlink()
        (programs / name).symlink_to(found)
    done = subprocess.run(
        ["make", "CC=gcc", "CFLAGS=-O0", "check"],
        cwd=tmp_path / "room" / "law" / "c",
        env={"PATH": str(programs)},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": passed") == 4


def test_numpy_alone_passes_the_python_law(package: Path, tmp_path: Path) -> None:
    environment = tmp_path / "fresh"
    venv.create(environment, symlinks=True, with_pip=False)
    [library] = (environment / "lib").glob("python*/site-packages")
    copied = 0
    for file in importlib.metadata.files("numpy") or ():
        source, place = Path(str(file.locate())), library / file
        if ".." in file.parts or not source.is_file():
            continue  # a program outside the package directory
        place.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(source.resolve(), place)
        except OSError:  # on another file system
            shutil.copy(source, place)
        copied += 1
    assert copied > 100
    python = environment / "bin" / "python"
    shutil.copytree(package / "python", tmp_path / "law" / "python")
    shutil.copytree(package / "vectors", tmp_path / "law" / "vectors")
    shutil.copy(package / "law.json", tmp_path / "law")

    def ran(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(python), "-E", "-s", *words],
            cwd=tmp_path / "law" / "python",
            env={"PATH": str(environment / "bin")},
            capture_output=True,
            text=True,
        )

    there = (
        "import importlib.metadata, importlib.util, json, sys;"
        "names = [d.name for d in importlib.metadata.distributions()];"
        "others = [n for n in ('hil', 'scipy', 'pytest', 'yaml') if importlib.util.find_spec(n)];"
        "print(json.dumps([names, others, sys.prefix]))"
    )
    names, others, prefix = json.loads(ran("-c", there).stdout)
    assert (names, others) == (["numpy"], []) and prefix != sys.prefix
    done = ran("test_law.py")
    assert (done.returncode, done.stdout) == (0, "passed\n"), done.stderr
