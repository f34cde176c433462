"""One CAN bus for several drives of one process: each receives every frame.

Many adapters can be opened only once. Within ``sharing_buses`` the first drive opens the bus, and
drives that name the same interface and channel share it.
"""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable, Iterator
from typing import Any

import can

MOST_WAITING = 4096  # frames kept for a member that does not receive; older ones are dropped

Place = tuple[str, str | None]


class _Wire:
    """An open bus and its members; the last member to leave closes it."""

    def __init__(self, bus: can.BusABC, options: dict[str, Any]) -> None:
        self.bus = bus
        self.options = options
        self.members: list[SharedBus] = []


class SharedBus(can.BusABC):
    """A member's view of a shared bus. One thread at a time may receive on any of its members.

    As on a separate adapter, a member receives the frames of all other nodes. It receives neither
    its own frames nor those of other members, unless the bus itself returns them.
    """

    def __init__(self, wire: _Wire, leave: Callable[[], None]) -> None:
        self._is_shutdown = True  # until initialised
        self._wire = wire
        self._leave = leave
        self._waiting: deque[can.Message] = deque(maxlen=MOST_WAITING)
        self.channel_info = wire.bus.channel_info
        wire.members.append(self)
        super().__init__(channel=str(wire.bus.channel_info))
        self._is_shutdown = False

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Send on the bus; see ``can.BusABC.send``."""
        self._wire.bus.send(msg, timeout)

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """Return the next frame, or None after ``timeout`` seconds; 0 does not wait.

        Raises:
            can.CanError: as the bus itself.
        """
        if self._waiting:
            return self._waiting.popleft()
        frame = self._wire.bus.recv(timeout)
        if frame is not None:
            for member in self._wire.members:
                if member is not self:
                    member._waiting.append(frame)
        return frame

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        return self.recv(timeout), True

    def shutdown(self) -> None:
        """Leave the bus; the last member closes it."""
        if self._is_shutdown:
            return
        super().shutdown()
        self._wire.members.remove(self)
        if not self._wire.members:
            self._leave()
            self._wire.bus.shutdown()


class SharedBuses:
    """Buses open in this process, by interface and channel."""

    def __init__(self) -> None:
        self._wires: dict[Place, _Wire] = {}

    def join(
        self, place: Place, options: dict[str, Any], opening: Callable[[], can.BusABC]
    ) -> SharedBus:
        """Return a member of the bus at ``place``, opened by ``opening`` if it is not open.

        Raises:
            ValueError: the bus is open with other options.
        """
        wire = self._wires.get(place)
        if wire is None:
            wire = self._wires[place] = _Wire(opening(), options)
        elif wire.options != options:
            raise ValueError(
                "another axis has opened this bus with other options; write the same 'bus' for both"
            )

        def leave() -> None:
            self._wires.pop(place, None)

        return SharedBus(wire, leave)


_active: SharedBuses | None = None


def shared_buses() -> SharedBuses | None:
    """Return the shared buses; None if each drive opens its own."""
    return _active


@contextlib.contextmanager
def sharing_buses() -> Iterator[None]:
    """Within the context, drives of this process share the buses that they open."""
    global _active
    before, _active = _active, SharedBuses()
    try:
        yield
    finally:
        _active = before
