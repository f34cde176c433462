"""Start and end the processes of a bench: simulated rig, rig host, recorder."""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

from hil.bench import Rehearsal
from hil.core import write_private
from hil.host.awake_process import KEEP_AWAKE
from hil.host.last_look import POWER_ON_TEXT, POWER_STAYED_ON
from hil.host.realtime import ClaimedProcessor
from hil.host.rehearsing import LiveRehearsal
from hil.link import make_link_directory
from hil.profile import Profile, load_profile, profile_to_dict, rig_parameters, simulated_wires

READY_S = 20.0
END_S = 5.0
MOST_RECORDERS = 5
OPTIONAL = ("keep_awake", "heat_keeper")  # the bench runs without them all the same
LET_SLEEP = "HOOKELINE_LET_SLEEP"  # set in the environment: no process keeps the processor awake
RECORDER_LOOK_S = 0.1
# The matrices are small: threads for them would cost more than they save, and wake beside the
# cycle.
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


class BenchError(Exception):
    """A process of the bench did not start or ended by itself; text says which and why.

    ``exit_code`` is the process's own (2 bad input, 3 hardware not reached), or 1.
    """

    def __init__(self, text: str, exit_code: int = 1) -> None:
        super().__init__(text)
        self.exit_code = exit_code


class BenchProcesses:
    """The running processes; a context manager that ends them in a safe order.

    Attributes:
        link_directory: where clients connect.
        processes: by name: ``rig`` (simulated), ``host``, ``recorder``.
    """

    def __init__(self, link_directory: Path, runs_directory: Path) -> None:
        self.link_directory = link_directory
        self.runs_directory = runs_directory
        self.processes: dict[str, subprocess.Popen[str]] = {}
        self.notices: list[str] = []
        self.wire_log: Path | None = None  # where it grows
        self._owned: contextlib.ExitStack = contextlib.ExitStack()
        self._closing = threading.Event()
        self._keeper: threading.Thread | None = None
        self._rehearsal: LiveRehearsal | None = None

    def __enter__(self) -> BenchProcesses:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def start(self, name: str, module: list[str], *, held: bool = False) -> None:
        """Start ``python -m`` with a module and its arguments.

        A ``held`` process loads its modules and its input, and goes on at :meth:`let_go`:
        processes that wait for each other load at the same time.
        """
        self._start(name, ["-m", *module], held)

    def _start(self, name: str, arguments: list[str], held: bool) -> None:
        path = self._log(name)
        write_private(path, "")
        log = path.open("a")
        process = subprocess.Popen(
            [sys.executable, *arguments],
            stdout=subprocess.PIPE,
            stderr=log,
            stdin=subprocess.PIPE if held else subprocess.DEVNULL,
            text=True,
            env=os.environ | ONE_THREAD,
            # A Ctrl-C belongs to the program in front, which ends these in order.
            start_new_session=True,
        )
        log.close()
        self.processes[name] = process

    def let_go(self, name: str) -> None:
        """Tell a held process that those it needs are ready."""
        pipe = self.processes[name].stdin
        assert pipe is not None
        with contextlib.suppress(BrokenPipeError):  # it ended: await_ready says why
            pipe.write("go\n")
            pipe.close()

    def await_ready(self, name: str) -> None:
        """Wait for the line ``ready`` of a process.

        Raises:
            BenchError: it ended before, or said nothing for 20 s.
        """
        process = self.processes[name]
        assert process.stdout is not None
        deadline = time.monotonic() + READY_S
        with selectors.DefaultSelector() as selector:
            selector.register(process.stdout, selectors.EVENT_READ)
            while True:
                left = deadline - time.monotonic()
                if left <= 0 or not selector.select(left):
                    raise BenchError(f"{name}: not ready after {READY_S:g} s; {self.said(name)}")
                line = process.stdout.readline()
                if line.strip() == "ready":
                    return
                if not line:
                    process.wait(END_S)
                    raise BenchError(self.said(name), process.returncode or 1)

    def said(self, name: str) -> str:
        """Return the last 2000 characters of the process's error output."""
        text = self._log(name).read_text(errors="replace").strip()
        return text[-2000:] or f"{name} ended without a word"

    def wait_failed(self) -> str | None:
        """Name and last words of a process that ended by itself, or None."""
        for name, process in self.processes.items():
            if name not in OPTIONAL and process.poll() is not None:
                return f"{name} ended (code {process.returncode}): {self.said(name)}"
        return None

    def start_keep_awake(self, processor: int) -> list[str]:
        """Start what keeps a processor awake; return the options that tell the rig host of it.

        The bench runs without such a process all the same: its end is not a failure.
        """
        self._start("keep_awake", [*KEEP_AWAKE, str(processor)], held=False)
        return ["--keep-awake", str(self.processes["keep_awake"].pid)]

    def rehearse(
        self, rehearsal: Rehearsal, endpoint: str, rate_Hz: float, tell: Callable[[str], None]
    ) -> None:
        """Let go wrong on the simulated rig what ``rehearsal`` says, from now until the end."""
        host = self.processes["host"].pid
        self._rehearsal = LiveRehearsal(rehearsal, endpoint, host, rate_Hz, tell)
        self._rehearsal.__enter__()

    def keep_recorder(self, arguments: list[str]) -> None:
        """Start another recorder whenever the present one ends by itself.

        The new one finishes the run that was cut off and goes on in a run of its own; the gap is
        in its note. A recorder that keeps ending is given up after ``MOST_RECORDERS``.
        """

        def watch() -> None:
            started = 1
            while started < MOST_RECORDERS:
                process = self.processes.get("recorder")
                if process is None or self._closing.wait(RECORDER_LOOK_S):
                    return
                if process.poll() is None:
                    continue
                host = self.processes.get("host")
                if host is None or host.poll() is not None:
                    return
                started += 1
                self.start("recorder", [*arguments, "--take-over"], held=True)
                self.let_go("recorder")

        self._keeper = threading.Thread(target=watch, name="recorder keeper", daemon=True)
        self._keeper.start()

    def keep_wire_log(self, run: Path | None) -> None:
        """Once the processes have ended: put the recorded wires into ``run``, or remove them."""
        grown, self.wire_log = self.wire_log, None
        if grown is None:
            return
        if run is not None:
            for file in grown.iterdir():
                file.replace(run / file.name)
        shutil.rmtree(grown, ignore_errors=True)

    def close(self) -> None:
        """End host, recorder, simulated rig, in this order; kill what does not end."""
        if self._rehearsal is not None:
            self._rehearsal.__exit__()
            self._rehearsal = None
        self._closing.set()
        if self._keeper is not None:
            self._keeper.join()
        for name in ("host", "recorder", "heat_keeper", "rig", "keep_awake"):
            self._end(name)
        self._owned.close()

    def _end(self, name: str) -> None:
        process = self.processes.pop(name, None)
        if process is None:
            return
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            process.send_signal(signal.SIGCONT)  # one that is stopped would not see it
            try:
                process.wait(END_S * (3 if name == "recorder" else 1))
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if name == "host" and process.returncode == POWER_STAYED_ON:
            # Whatever the program in front shows, this must be seen in the terminal.
            print(f"\n*** {POWER_ON_TEXT} ***\n", file=sys.stderr, flush=True)
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()

    def _log(self, name: str) -> Path:
        return self.link_directory / f"{name}.err"


def start_bench(
    profile_path: str | Path,
    *,
    runs_directory: Path,
    link_directory: Path | None = None,
    tcp: str | None = None,
    keys: Path | None = None,
    recorder: bool = True,
    profile: Profile | None = None,
    log_wire: bool = False,
    rehearsal: Rehearsal | None = None,
    tell: Callable[[str], None] = lambda _text: None,
    unverified: str = "",
    at_lower_end: bool = False,
) -> BenchProcesses:
    """Start everything the profile needs; the simulated rig only if the profile has one.

    ``profile`` is what was read from ``profile_path``, if it is to differ from the file: a
    simulated rig with mistakes. With ``log_wire`` what passes on the drive's wires is kept:
    :meth:`BenchProcesses.keep_wire_log` puts it into a run's folder when the bench has ended.
    ``rehearsal`` lets things go wrong on a simulated rig; ``tell`` takes a line for each.
    ``unverified`` is what a person typed to open the limits of a rig that no bring-up has verified.
    ``at_lower_end``: the operator stated that the output rests on its lower end.

    Raises:
        ProfileError: the profile is not valid.
        BenchError: a process did not come up.
    """
    profile = load_profile(profile_path) if profile is None else profile
    owned = contextlib.ExitStack()
    if link_directory is None:
        parent = os.environ.get("XDG_RUNTIME_DIR")
        if parent is not None and not os.access(parent, os.W_OK):
            parent = None
        link_directory = Path(
            owned.enter_context(tempfile.TemporaryDirectory(prefix="hookeline-", dir=parent))
        )
    else:
        make_link_directory(link_directory)
    bench = BenchProcesses(link_directory, runs_directory)
    bench._owned = owned
    try:
        processor = _processor(bench)
        # The profile is read once; what was checked here is what runs there.
        checked = link_directory / "profile.json"
        write_private(checked, json.dumps(profile_to_dict(profile)))
        host = [
            "hil.host",
            "--hold",
            "--checked",
            str(checked),
            "--profile",
            str(profile_path),
            "--link",
            str(link_directory),
        ]
        if unverified:
            host += ["--unverified", unverified]
        if at_lower_end:
            host.append("--reference-at-lower-end")
        if processor is not None:
            host += ["--processor", str(processor)]
        control = None
        if profile.simulation is not None:
            control = _start_rig(bench, profile, processor)
            host += ["--wires", str(link_directory), "--environment", control]
            host += ["--rig", str(bench.processes["rig"].pid)]
        if processor is not None and not os.environ.get(LET_SLEEP):
            host += bench.start_keep_awake(processor)
        if log_wire:
            # In the directory of the runs, so that it can be moved into one of them.
            runs_directory.mkdir(parents=True, exist_ok=True)
            bench.wire_log = Path(tempfile.mkdtemp(prefix=".wire-", dir=runs_directory))
            host += ["--log-wire", str(bench.wire_log)]
        if tcp is not None:
            host += ["--tcp", tcp]
        if keys is not None:
            host += ["--keys", str(keys)]
        bench.start("host", host, held=True)
        if recorder:
            runs_directory.mkdir(parents=True, exist_ok=True)
            recording = ["hil.recorder", "--link", str(link_directory)]
            recording += ["--runs", str(runs_directory), "--hold"]
            bench.start("recorder", recording, held=True)
        if "rig" in bench.processes:
            bench.await_ready("rig")
        bench.let_go("host")
        bench.await_ready("host")
        bench.notices.append(bench.said("host"))
        if recorder:
            bench.let_go("recorder")
            bench.await_ready("recorder")
            bench.keep_recorder(recording)
        if profile.simulation is None:
            bench.start("heat_keeper", ["hil.host.heat_keeper", "--link", str(link_directory)])
        if rehearsal is not None and control is not None:
            rate = profile.control.rate
            bench.rehearse(rehearsal, control, rate, tell)
    except BaseException:
        bench.close()
        raise
    return bench


def start_rig(profile: Profile) -> BenchProcesses:
    """The simulated rig of a profile alone, without power; its wires are in the link directory.

    Raises:
        ProfileError: the rig is not possible.
        BenchError: it did not come up.
    """
    owned = contextlib.ExitStack()
    directory = Path(owned.enter_context(tempfile.TemporaryDirectory(prefix="hookeline-")))
    bench = BenchProcesses(directory, directory)
    bench._owned = owned
    try:
        _start_rig(bench, profile, _processor(bench))
        bench.await_ready("rig")
    except BaseException:
        bench.close()
        raise
    return bench


def _processor(bench: BenchProcesses) -> int | None:
    """The bench's own while it runs, for rig host and simulated rig."""
    claimed = ClaimedProcessor()
    bench._owned.callback(claimed.close)
    return claimed.number


def _start_rig(bench: BenchProcesses, profile: Profile, processor: int | None) -> str:
    """Start its process; the address of its simulation control."""
    assert profile.simulation is not None
    directory = bench.link_directory
    control = f"ipc://{directory / 'environment.ipc'}"
    configuration = directory / "rig.json"
    write_private(
        configuration,
        json.dumps(
            {
                "protocol": profile.drive["protocol"],
                "options": simulated_wires(profile, directory),
                "parameters": json.loads(rig_parameters(profile).to_json()),
                "environment": control,
                "seed": profile.simulation.seed,
                "processor": processor,
            }
        ),
    )
    bench.start("rig", ["drivers.simulated.process", "--config", str(configuration)])
    return control
