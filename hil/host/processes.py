"""Running processes of a bench, started one by one and ended in a safe order."""

from __future__ import annotations

import contextlib
import os
import selectors
import shutil
import signal
import subprocess
import sys
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

READY_S = 20.0
END_S = 5.0
MOST_RECORDERS = 5
BOTH_DEAD_WAIT_S = 0.3  # for a rig host that has exited
OPTIONAL = ("keep_awake", "heat_keeper")  # the bench also runs without them
RECORDER_LOOK_S = 0.1
# The matrices are small: threads for them would cost more than they save, and compete with the
# cycle.
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


class BenchError(Exception):
    """A process of the bench did not start or ended by itself; the text says which and why.

    ``exit_code`` is the process's own (2 bad input, 3 hardware not reached), or 1.
    """

    def __init__(self, text: str, exit_code: int = 1) -> None:
        super().__init__(text)
        self.exit_code = exit_code


class BenchProcesses:
    """The running processes; a context manager that ends them in a safe order.

    Attributes:
        link_directory: where clients connect.
        processes: processes by name: ``rig`` (simulated), ``host``, ``recorder``; with several axes there is
            one host, and the others are named for instance ``rig heel``.
        axis_links: where clients of each axis connect; empty for a single one.
    """

    def __init__(
        self, link_directory: Path, runs_directory: Path, owned: contextlib.ExitStack | None = None
    ) -> None:
        self.link_directory = link_directory
        self.runs_directory = runs_directory
        self.processes: dict[str, subprocess.Popen[str]] = {}
        self.notices: list[str] = []
        self.axis_links: dict[str, Path] = {}
        self._ready: set[str] = set()
        self.wire_log: Path | None = None  # where it grows
        self._owned = owned or contextlib.ExitStack()
        self._closing = threading.Event()
        self._keepers: list[threading.Thread] = []
        self._rehearsals: list[LiveRehearsal] = []

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

        A ``held`` process loads its modules and its input, then waits for :meth:`let_go`, so that
        processes that depend on each other load at the same time.
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
            # Ctrl-C goes to the foreground program, which ends these in order.
            start_new_session=True,
        )
        log.close()
        self.processes[name] = process
        self._ready.discard(name)

    def let_go(self, name: str) -> None:
        """Release a held process: those it needs are ready."""
        pipe = self.processes[name].stdin
        assert pipe is not None
        with contextlib.suppress(BrokenPipeError):  # it ended: await_ready says why
            pipe.write("go\n")
            pipe.close()

    def await_ready(self, name: str) -> None:
        """Wait for the line ``ready`` of a process, once.

        Raises:
            BenchError: it ended before that, or was not ready within 20 s.
        """
        if name in self._ready:
            return
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
                    self._ready.add(name)
                    return
                if not line:
                    process.wait(END_S)
                    raise BenchError(self.said(name), process.returncode or 1)

    def said(self, name: str) -> str:
        """Return the last 2000 characters of the process's error output."""
        text = self._log(name).read_text(errors="replace").strip()
        return text[-2000:] or f"{name} gave no reason"

    def wait_failed(self) -> str | None:
        """Name and last error output of a process that ended by itself, or None."""
        for name, process in self.processes.items():
            if kind_of(name) not in OPTIONAL and process.poll() is not None:
                return f"{name} ended (code {process.returncode}): {self.said(name)}"
        return None

    def start_keep_awake(self, processor: int) -> list[str]:
        """Start the process that keeps a processor awake; return the rig host's options for it.

        The bench also runs without such a process: its end is not a failure.
        """
        self._start("keep_awake", [*KEEP_AWAKE, str(processor)], held=False)
        return ["--keep-awake", str(self.processes["keep_awake"].pid)]

    def rehearse(
        self, rehearsal: Rehearsal, endpoint: str, rate_Hz: float, tell: Callable[[str], None]
    ) -> None:
        """Inject the faults of ``rehearsal`` into a simulated rig, from now until the end."""
        host = self.processes["host"].pid
        begun = LiveRehearsal(rehearsal, endpoint, host, rate_Hz, tell)
        begun.__enter__()
        self._rehearsals.append(begun)

    def keep_recorder(self, arguments: list[str], name: str = "recorder") -> None:
        """Start another recorder whenever the one of this name ends by itself.

        The new one finishes the run that was cut off and continues in a new run; its note states
        the gap. No recorder is started after ``MOST_RECORDERS``. If the rig host has died as well,
        the new one keeps the last seconds of both as a trip.
        """

        def watch() -> None:
            started = 1
            while started < MOST_RECORDERS:
                process = self.processes.get(name)
                if process is None or self._closing.wait(RECORDER_LOOK_S):
                    return
                if process.poll() is None:
                    continue
                host = self.processes.get("host")
                alone = host is None or host.poll() is not None
                if alone and process.returncode >= 0:
                    return  # it ended by itself, because of the rig host
                started += 1
                # After both have died, the new one keeps their last seconds and ends.
                waiting = ["--wait", str(BOTH_DEAD_WAIT_S)] if alone else []
                self.start(name, [*arguments, "--take-over", *waiting], held=True)
                self.let_go(name)
                if alone:  # a bench that closes waits for it
                    with contextlib.suppress(subprocess.TimeoutExpired):
                        self.processes[name].wait(3 * END_S)
                    return

        keeper = threading.Thread(target=watch, name=f"keeper of {name}", daemon=True)
        self._keepers.append(keeper)
        keeper.start()

    def claim_processor(self) -> int | None:
        """Return the processor that the bench keeps to itself while it runs; None if none is free."""
        claimed = ClaimedProcessor()
        self._owned.callback(claimed.close)
        return claimed.number

    def keep_wire_log(self, run: Path | None) -> None:
        """Move the recorded wires into ``run``, or delete them; call once the processes have ended."""
        grown, self.wire_log = self.wire_log, None
        if grown is None:
            return
        if run is not None:
            for file in grown.iterdir():
                file.replace(run / file.name)
        shutil.rmtree(grown, ignore_errors=True)

    def close(self) -> None:
        """End host, recorder and simulated rig in this order; kill any that does not end."""
        while self._rehearsals:
            self._rehearsals.pop().__exit__()
        self._closing.set()
        for keeper in self._keepers:
            keeper.join()
        for kind in ("host", "recorder", "heat_keeper", "rig", "keep_awake"):
            for name in [name for name in self.processes if kind_of(name) == kind]:
                self._end(name)
        self._owned.close()

    def _end(self, name: str) -> None:
        process = self.processes.pop(name, None)
        if process is None:
            return
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            process.send_signal(signal.SIGCONT)  # a stopped process would not receive it
            try:
                process.wait(END_S * (3 if kind_of(name) == "recorder" else 1))
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if name == "host" and process.returncode == POWER_STAYED_ON:
            # Whatever the foreground program shows, this must appear in the terminal.
            print(f"\n*** {POWER_ON_TEXT} ***\n", file=sys.stderr, flush=True)
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()

    def _log(self, name: str) -> Path:
        return self.link_directory / f"{name.replace(' ', '_')}.err"


def kind_of(name: str) -> str:
    """Return the kind of a process named for instance ``rig heel``."""
    return name.partition(" ")[0]
