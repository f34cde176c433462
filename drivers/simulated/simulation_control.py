"""Control of the simulated rig's process: weights, hand and disturbances by request.

It is separate from the wire that the bench uses, so the bench gets no information from it. One JSON
object each way: ``{"do": "hang", "mass_kg": 5}`` is answered by ``{"ok": true}`` or ``{"ok": false,
"error": "..."}``.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Callable
from typing import Any

import zmq

from drivers.base import DriverError
from drivers.simulated.environment import MOST_BY_HAND_N, Environment

ACTIONS = (
    "hang",
    "drop",
    "push",
    "disturb",
    "move_nut",
    "turn_screw",
    "hold_screw",
    "hold_output",
    "support_load",
    "wiggle_cable",
    "emergency_stop",
    "reset_peaks",
    "state",
)


class SimulationControl:
    """The rig's end of the control, and the link to the parent process.

    Args:
        endpoint: ZeroMQ endpoint to bind, ``ipc://`` in a private directory.
        environment: target of the requests.
        on_ready: called once by ``ready``.
        parent: process that started this one; ``poll`` sets ``ending`` once it has exited.

    Attributes:
        ending: set when the end is requested; the node's loop then returns.

    Raises:
        DriverError: the endpoint cannot be bound.
    """

    def __init__(
        self,
        endpoint: str,
        environment: Environment,
        on_ready: Callable[[], None] = lambda: None,
        parent: int | None = None,
    ) -> None:
        self._environment = environment
        self._on_ready = on_ready
        self._parent = parent
        self.ending = False
        self._context = zmq.Context()
        self._socket: zmq.Socket[bytes] = self._context.socket(zmq.REP)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.MAXMSGSIZE, 65536)
        try:
            self._socket.bind(endpoint)
        except zmq.ZMQError as error:
            self.close()
            raise DriverError(
                f"simulation control '{endpoint}' cannot be opened: {error.strerror}; its directory must "
                "exist and its path stay below 108 characters"
            ) from None

    def ready(self) -> None:
        """Report that the node is on the bus, once."""
        on_ready, self._on_ready = self._on_ready, lambda: None
        on_ready()

    def poll(self) -> int:
        """Answer waiting requests without blocking; return their number."""
        answered = 0
        # Polled here and not by a thread: a preempted thread holding the interpreter lock would
        # delay the loop.
        if self._parent is not None and os.getppid() != self._parent:
            self.ending = True
        while True:
            try:
                # All parts, otherwise a multipart message would desynchronise the socket.
                text = b"".join(self._socket.recv_multipart(zmq.NOBLOCK))
            except zmq.Again:
                return answered
            reply = self._answer(text)
            with contextlib.suppress(zmq.Again):
                self._socket.send(json.dumps(reply).encode(), zmq.NOBLOCK)
            answered += 1

    def close(self) -> None:
        """Let go of the endpoint. May be called twice."""
        self._socket.close()
        self._context.term()

    def _answer(self, text: bytes) -> dict[str, Any]:
        try:
            request = json.loads(text)
            if not isinstance(request, dict):
                raise ValueError("a request is one JSON object")
            action = request.pop("do", None)
            if action not in ACTIONS:
                raise ValueError(f"'do' is {action!r}: must be one of {', '.join(ACTIONS)}")
            result = getattr(self._environment, action)(**request)
        except (ValueError, TypeError, RecursionError) as error:
            return {"ok": False, "error": str(error)}
        return {"ok": True, "state": result} if action == "state" else {"ok": True}


class EnvironmentClient:
    """Client of the control, with the methods of :class:`Environment`; threads may share one.

    Every method raises ``ValueError`` for a refused request and ``DriverError`` without an answer
    within ``timeout_s``.
    """

    def __init__(self, endpoint: str, timeout_s: float = 2.0) -> None:
        self.endpoint = endpoint
        self._timeout_ms = round(1000 * timeout_s)
        self._context = zmq.Context()
        self._socket = self._connect()
        self._lock = threading.Lock()

    def hang(self, mass_kg: float) -> None:
        """Hang this mass at the load point instead of the present one."""
        self._ask({"do": "hang", "mass_kg": mass_kg})

    def drop(self, mass_kg: float, height_m: float) -> None:
        """Let this mass fall onto the load point; see ``Environment.drop``."""
        self._ask({"do": "drop", "mass_kg": mass_kg, "height_m": height_m})

    def push(self, force_N: float, frequency_Hz: float = 0.0, duration_s: float = 0.0) -> None:
        """Push by hand at the load point; see ``Environment.push``."""
        self._ask(
            {
                "do": "push",
                "force_N": force_N,
                "frequency_Hz": frequency_Hz,
                "duration_s": duration_s,
            }
        )

    def disturb(self, name: str, value: float | bool | None) -> None:
        """Set a disturbance; see ``Environment.disturb``."""
        self._ask({"do": "disturb", "name": name, "value": value})

    def move_nut(self, speed_m_s: float, distance_m: float, most_N: float = MOST_BY_HAND_N) -> None:
        """Turn the screw by hand; see ``Environment.move_nut``."""
        self._ask(
            {"do": "move_nut", "speed_m_s": speed_m_s, "distance_m": distance_m, "most_N": most_N}
        )

    def turn_screw(
        self, turns: float, turns_per_s: float = 1.0, most_N: float = MOST_BY_HAND_N
    ) -> None:
        """Turn the screw by a number of turns; see ``Environment.turn_screw``."""
        self._ask(
            {"do": "turn_screw", "turns": turns, "turns_per_s": turns_per_s, "most_N": most_N}
        )

    def hold_screw(self, held: bool) -> None:
        """Hold the screw, or release it."""
        self._ask({"do": "hold_screw", "held": held})

    def hold_output(self, held: bool) -> None:
        """Hold the output, or release it."""
        self._ask({"do": "hold_output", "held": held})

    def support_load(self, supported: bool) -> None:
        """Put a stand under lever and weights, or remove it; see ``Environment.support_load``."""
        self._ask({"do": "support_load", "supported": supported})

    def wiggle_cable(self, duration_s: float) -> None:
        """Move the sensor's cable for this time."""
        self._ask({"do": "wiggle_cable", "duration_s": duration_s})

    def emergency_stop(self, pressed: bool) -> None:
        """Press or release the hard-wired stop; see ``Environment.emergency_stop``."""
        self._ask({"do": "emergency_stop", "pressed": pressed})

    def reset_peaks(self) -> None:
        """Forget the largest force and speeds so far."""
        self._ask({"do": "reset_peaks"})

    def state(self) -> dict[str, float]:
        """Return true values of the rig; see ``Environment.state``."""
        state: dict[str, float] = self._ask({"do": "state"})["state"]
        return state

    def close(self) -> None:
        """Let go of the endpoint. May be called twice."""
        self._socket.close()
        self._context.term()

    def _connect(self) -> zmq.Socket[bytes]:
        socket = self._context.socket(zmq.REQ)
        socket.setsockopt(zmq.LINGER, 0)
        socket.connect(self.endpoint)
        return socket

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        with self._lock:
            self._socket.send(json.dumps(request).encode())
            if not self._socket.poll(self._timeout_ms):
                # A REQ socket without an answer cannot send again.
                self._socket.close()
                self._socket = self._connect()
                raise DriverError(
                    f"the simulated rig does not answer at '{self.endpoint}'; is it still running?"
                )
            reply: dict[str, Any] = json.loads(self._socket.recv())
        if not reply["ok"]:
            raise ValueError(reply["error"])
        return reply
