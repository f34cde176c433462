"""A dashboard in a process of its own, drawn offscreen and operated by keys, for the benchmarks.

Keys arrive as lines on a pipe that Qt's event loop watches as it watches a window system's
connection: a key waits for whatever the window is doing, as a real one does.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType

from hil.core.samples import State
from hil.link.client import Client, LinkError

PATIENCE_S = 20.0


class StateError(RuntimeError):
    """The bench did not come to a state: on a busy computer a window may lose control."""


def until_state(client: Client, state: State, seconds: float = PATIENCE_S) -> None:
    """Wait until the bench is in ``state``.

    Raises:
        StateError: another state is still reported after ``seconds``.
    """
    end = time.monotonic() + seconds
    last = "nothing was heard"
    while time.monotonic() < end:
        for item in client.poll():
            if not hasattr(item, "rows") and item["kind"] == "heartbeat":
                if item["state"] == state.name:
                    return
                last = f"{item['state']} {item['cause_text']}"
        time.sleep(0.002)
    raise StateError(f"not {state.name} within {seconds:g} s: {last}")


class Seat:
    """Start the window on a bench, take control, press keys. A context manager.

    Attributes:
        process: the dashboard's.

    Raises:
        StateError: the window does not open, or does not get control.
    """

    def __init__(self, link_directory: Path, runs_directory: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__)), str(link_directory), str(runs_directory)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
            start_new_session=True,
        )
        assert self.process.stdin is not None and self.process.stdout is not None
        if self.process.stdout.readline() != b"ready\n":
            self.close()
            raise StateError(f"the dashboard did not open and take control within {PATIENCE_S:g} s")
        self._pipe = self.process.stdin.fileno()

    def __enter__(self) -> Seat:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def press(self, key: str) -> float:
        """Press a key by its Qt name (``Escape``, ``Return``, ``P``) without waiting.

        Returns the time on the monotonic clock, in s.
        """
        line = f"{key}\n".encode()
        pressed_s = time.monotonic()
        os.write(self._pipe, line)
        return pressed_s

    def enter(self, behaviour: int, key: str, value: float) -> None:
        """Fill a field of a behaviour's form (1 to 5), in SI units, as if it had been typed."""
        os.write(self._pipe, f"{behaviour}:{key}:{value!r}\n".encode())

    def close(self) -> None:
        """End the dashboard; does nothing if it has ended."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()


def main(link_directory: Path, runs_directory: Path) -> int:
    """Run the dashboard as ``hookeline bench --link`` opens it, and its keys."""
    from PySide6.QtCore import QSocketNotifier, Qt, QTimer
    from PySide6.QtTest import QTest

    from ui.dashboard.app import application, run_dashboard
    from ui.dashboard.window import Window

    app = application()

    until_s = time.monotonic() + PATIENCE_S
    seen: Window | None = None  # found once: a search takes 1 ms, and a person's key needs none

    def opened() -> None:
        nonlocal seen
        seen = next((w for w in app.topLevelWidgets() if isinstance(w, Window)), None)
        if seen is not None and seen.model.in_control:
            print("ready", flush=True)
        elif time.monotonic() < until_s:
            QTimer.singleShot(50, opened)
        else:  # another client may hold control for ever
            app.quit()

    def keys() -> None:
        text = os.read(0, 4096)
        if not text:
            app.quit()
        elif seen is not None:
            for name in text.decode().split():
                if ":" in name:
                    number, key, value = name.split(":")
                    entry = seen.model.forms[int(number) - 1].entry(key)
                    entry.value, entry.touched = float(value), True
                    continue
                QTest.keyClick(seen.focusWidget() or seen, getattr(Qt.Key, f"Key_{name}"))

    notifier = QSocketNotifier(0, QSocketNotifier.Type.Read)
    notifier.activated.connect(keys)
    QTimer.singleShot(0, opened)
    try:
        return run_dashboard(link_directory, runs_directory=runs_directory)
    except LinkError as error:
        print(error, file=sys.stderr)
        return 3


if __name__ == "__main__":
    raise SystemExit(main(Path(sys.argv[1]), Path(sys.argv[2])))
