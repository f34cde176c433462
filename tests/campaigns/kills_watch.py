"""Clients in a case of ``kills.py``: the holder of control, and a watching client."""

from __future__ import annotations

import contextlib
import ctypes
import os
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import can

from hil.core import INDEX, Apply, Commission, Enable, HoldPosition, PowerOn, StartRun, State, Stop
from hil.link import Block, Client

TPDO_1 = 0x185  # statusword in its first two bytes
EMCY, HEARTBEAT_ERROR = 0x85, b"\x30\x81"  # CiA 301: on its loss the drive removes power by itself
DISK_BYTES = 24 << 20  # a minute of samples; room for the run and its trip
_PIDFD_GETFD = 438  # pidfd_getfd(2), the same number on every architecture


def punctual() -> None:
    """Give this program priority: the bench is tested, not the kernel's scheduling."""
    with contextlib.suppress(OSError, AttributeError):
        policy = os.SCHED_FIFO | os.SCHED_RESET_ON_FORK
        for thread in os.listdir("/proc/self/task"):
            os.sched_setscheduler(int(thread), policy, os.sched_param(1))


def holder_main(link: str, state: str) -> None:
    """Hold control in a process of its own, from De-energised to ``state``."""
    punctual()
    with Client.connect(link, name="holder") as client:
        client.take_control()
        client.request(StartRun(name="case"))
        until = _Until(client)
        enabling = state == "bring-up"
        if enabling:
            client.request(Commission(force_N=60.0, speed_m_s=0.02, torque_N_m=0.05))
            client.request(Enable(held=True))
        if state != "de-energised":
            client.request(PowerOn(load_supported=True))
        if state not in ("de-energised", "energising"):
            until(State.STANDBY, enabling)
        if state in ("running", "stopping", "tripped"):
            client.request(Apply(behaviour=HoldPosition(position_m=0.03, speed_m_s=0.03)))
            until(State.RUNNING)
            end = time.monotonic() + 0.5
            while time.monotonic() < end:
                until.turn()
        if state == "stopping":
            client.post(Stop(cause="the case asks for it"))
        print("there", flush=True)
        while True:
            until.turn(enabling)


class _Until:
    def __init__(self, client: Client) -> None:
        self._client = client
        self._next_s = 0.0
        self.state = -1

    def turn(self, enabling: bool = False) -> None:
        if enabling and time.monotonic() >= self._next_s:
            self._next_s = time.monotonic() + 0.04
            self._client.post(Enable(held=True))
        for item in self._client.poll():
            if isinstance(item, Block):
                self.state = int(item.rows[-1, INDEX["state"]])
        self._client.answers()
        time.sleep(0.005)

    def __call__(self, state: State, enabling: bool = False) -> None:
        end = time.monotonic() + 10.0
        while self.state != state:
            self.turn(enabling)
            if time.monotonic() > end:
                raise SystemExit(f"not {state.name} within 10 s")


class Listener:
    """Listener to the drive's statusword on the bus: when power came and went."""

    def __init__(self, channel: str) -> None:
        self.changes: list[tuple[float, bool]] = []
        self._ending = threading.Event()
        self._bus = can.Bus(interface="local_socket", channel=channel)
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        on: bool | None = None
        while not self._ending.is_set():
            try:
                frame = self._bus.recv(0.1)
            except can.CanError:
                return
            if frame is None:
                continue
            if frame.arbitration_id == TPDO_1:
                # CiA 402: operation enabled, or quick stop active.
                now_on = int.from_bytes(frame.data[:2], "little") & 0x4F == 0x07
            elif frame.arbitration_id == EMCY and frame.data[:2] == HEARTBEAT_ERROR:
                now_on = False  # without its host's SYNC it sends no statusword
            else:
                continue
            if now_on != on:
                on = now_on
                self.changes.append((time.monotonic(), on))

    @property
    def on(self) -> bool:
        return bool(self.changes) and self.changes[-1][1]

    def off_after(self, moment_s: float) -> float:
        """Return the seconds from a moment until power was finally off; 0 if it was off already,
        NaN if it is still on."""
        if self.on:
            return float("nan")
        return max(0.0, self.changes[-1][0] - moment_s) if self.changes else 0.0

    def close(self) -> None:
        self._ending.set()
        self._thread.join(2)
        self._bus.shutdown()


class Observer:
    """Client without control that keeps its messages and the newest sample."""

    def __init__(self, link: Path) -> None:
        self.client = Client.connect(link, name="observer", unlimited=True)
        self.told: list[tuple[float, str]] = []
        self.time_s = 0.0
        self.without: list[float] = []  # times with power and no holder

    def look(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while True:
            for item in self.client.poll():
                if isinstance(item, Block):
                    self.time_s = float(item.rows[-1, INDEX["time_s"]])
                elif item.kind == "heartbeat":
                    if item["state"] in ("STANDBY", "RUNNING") and not item["holder"]:
                        self.without.append(float(item["time_s"]))
                elif item.kind in ("stop", "recorder_lost", "notice", "pause", "control"):
                    words = item.get("text") or item.get("detail") or item.get("cause") or ""
                    if item.kind == "control":
                        words = f"control: {item['holder']}"
                    self.told.append((time.monotonic(), f"{item.kind}: {words}"))
            if not self.client.alive and not any("HostGone" in text for _, text in self.told):
                self.told.append((time.monotonic(), "HostGone: the rig host is silent"))
            if time.monotonic() >= end:
                return
            time.sleep(0.005)


def unplug(host: int, rig: int) -> int:
    """Disconnect the rig host's wires as pulling the adapter does; return their number.

    The simulated rig's end of each of them is shut down from outside. Needs the right to trace it.
    """
    handle = os.pidfd_open(rig)
    try:
        found = 0
        for end in _sockets_of(rig, handle):
            with end, contextlib.suppress(OSError):
                name = end.getsockname()
                credentials = end.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12)
                peer = int.from_bytes(credentials[:4], "little")
                if peer == host and name and not str(name).endswith("environment.ipc"):
                    end.shutdown(socket.SHUT_RDWR)
                    found += 1
        return found
    finally:
        os.close(handle)


def _sockets_of(process: int, handle: int) -> Iterator[socket.socket]:
    """Yield second handles of the sockets of a process."""
    library = ctypes.CDLL(None, use_errno=True)
    for file in Path(f"/proc/{process}/fd").iterdir():
        if not os.readlink(file).startswith("socket:"):
            continue
        number = library.syscall(_PIDFD_GETFD, handle, int(file.name), 0)
        if number < 0:
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
        yield socket.socket(fileno=number)


class FullDisk:
    """A small file system in memory that a ballast file fills. A context manager.

    Args:
        place: where it is mounted; needs the right to mount.
    """

    def __init__(self, place: Path) -> None:
        self._place = place
        self._ballast = place / ".ballast"

    def __enter__(self) -> FullDisk:
        self._place.mkdir(parents=True, exist_ok=True)
        _run("mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "none", str(self._place))
        return self

    def fill(self) -> None:
        with self._ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while file.write(bytes(4096)):
                pass

    def free(self) -> None:
        self._ballast.unlink()

    def __exit__(self, *_: object) -> None:
        _run("umount", "--lazy", str(self._place))


def _run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True)
