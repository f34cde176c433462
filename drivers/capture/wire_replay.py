"""A recording in place of the device: recorded receptions are received again.

Each sent frame releases the frames recorded after it. Within a cycle the identifier is enough: a
command may differ slightly from the recorded one, and a heartbeat may be sent in another cycle. On
a serial port each cycle receives all its recorded bytes at once, independent of what is sent.
"""

from __future__ import annotations

import json
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import can

from drivers.base import DriverError
from drivers.capture.wire_log import INDEX_FILE
from drivers.capture.wire_text import read_timed

NAP_S = 0.001

Item = tuple[bool, Any]  # received, and a frame or bytes
Matches = Callable[[Any], bool]
Received = tuple[Any, float]  # a frame or bytes, and its time


@dataclass
class Cycle:
    """Periods since the last cycle, and the cycle's records per wire, notes and clock readings.

    Zero periods: another read of the drive in the previous cycle.
    """

    periods: int
    counts: list[int]
    now_s: list[float] = field(default_factory=list)
    notes: list[dict[str, Any]] = field(default_factory=list)


class WireRecording:
    """A recording written by :class:`~drivers.capture.wire_log.WireRecorder`.

    Attributes:
        cycles: the first entry is the time before the first cycle.
        timed: whether it has the times that the samples depended on.

    Raises:
        DriverError: not a recording, or a damaged one.
    """

    def __init__(self, path: Path) -> None:
        folder = path if path.is_dir() else path.parent
        self.folder = folder
        self.cycles: list[Cycle] = []
        self.timed = True
        self._wires: list[list[Item]] = []
        self._times_us: list[list[int]] = []  # of each wire: times of reception
        self._now_us = 0
        self._last_s = 0.0
        index = folder / INDEX_FILE
        try:
            with index.open() as file:
                for line in file:
                    self._index_line(json.loads(line))
        except OSError as error:
            raise DriverError(
                f"{index}: {error.strerror}; replay a log written by --log-wire, with the "
                f"{INDEX_FILE} in its folder"
            ) from None
        except (ValueError, KeyError, TypeError, IndexError) as error:
            raise DriverError(f"{folder}: the recording is damaged: {error}") from None
        self._opened = 0
        self._sources: list[Source] = []
        self._cycle = 0

    def _index_line(self, data: dict[str, Any]) -> None:
        if "wire" in data:
            path = self.folder / f"{data['wire']}.log"
            if data["kind"] == "can" and not path.exists():
                path = path.with_suffix(".log.gz")
            items: list[Item] = []
            if data["kind"] == "can":
                with can.LogReader(str(path)) as reader:
                    items = [(frame.is_rx, frame) for frame in reader]
            else:
                with path.open() as file:
                    items = [(received, chunk) for _, received, chunk in read_timed(file)]
            self._wires.append(items)
            self._times_us.append([0])
        elif "cycles" in data:
            cycles = [Cycle(periods, counts) for periods, *counts in data["cycles"]]
            self.cycles += cycles
            self.timed = self.timed and "now" in data
            for cycle, nows in zip(cycles, data.get("now", ()), strict=False):
                for step in nows:
                    self._now_us += step
                    cycle.now_s.append(self._now_us / 1e6)
            for times, received in zip(self._times_us, data.get("received", ()), strict=False):
                for step in received:
                    times.append(times[-1] + step)
        elif self.cycles:
            self.cycles[-1].notes.append(data)

    def now(self) -> float:
        """Return the clock's reading as recorded, in this cycle."""
        nows = self.cycles[self._cycle].now_s if self._cycle < len(self.cycles) else None
        if nows:
            self._last_s = nows.pop(0)
        return self._last_s

    def received_at(self, _frame: can.Message | None = None) -> float:
        """Return the time of the last reception."""
        return self._last_s

    def received(self, item: Received) -> Any:
        """Return the item, setting the clock to its recorded time."""
        self._last_s = item[1]
        return item[0]

    @property
    def goes_on(self) -> bool:
        """True if the drive was read once more in this cycle."""
        following = self._cycle + 1
        return following < len(self.cycles) and self.cycles[following].periods == 0

    def bus(self) -> can.BusABC:
        """Return the next recorded wire as a bus. Raises ``DriverError`` if there is none."""
        return ReplayBus(self, self._source(by_request=True))

    def port(self) -> ReplayPort:
        """Return the next recorded wire as a serial port."""
        return ReplayPort(self, self._source(by_request=False))

    def _source(self, by_request: bool) -> Source:
        number = self._opened
        if number >= len(self._wires):
            raise DriverError(
                f"the recording has {len(self._wires)} wire(s) and the profile more: replay it "
                "with the profile of the recording"
            )
        self._opened += 1
        counts = [c.counts[number] if number < len(c.counts) else 0 for c in self.cycles]
        times = [us / 1e6 for us in self._times_us[number][1:]]
        source = Source(self._wires[number], counts, times, by_request)
        self._sources.append(source)
        return source

    def begin_cycle(self) -> Cycle | None:
        """Return the next cycle, whose frames can be received from now on; None at the end."""
        self._cycle += 1
        if self._cycle >= len(self.cycles):
            return None
        for source in self._sources:
            source.begin(self._cycle)
        return self.cycles[self._cycle]


class Source:
    """Items of one wire, released as the device would.

    Args:
        by_request: also within a cycle; otherwise all items of a cycle are available at its start.
    """

    def __init__(
        self, items: list[Item], counts: list[int], times_s: list[float], by_request: bool
    ) -> None:
        self._items = items
        self._by_request = by_request
        self._times_s = iter(times_s)
        self._counts = counts
        self._next = 0
        self._end = counts[0] if counts else 0
        self.waiting: deque[Received] = deque()
        self._opening = True
        self._release()

    def _release(self) -> None:
        """Release the receptions before the next transmission."""
        while self._next < self._end and self._items[self._next][0]:
            self._receive(self._items[self._next][1])
            self._next += 1

    def _receive(self, item: Any) -> None:
        self.waiting.append((item, next(self._times_s, 0.0)))

    def sent(self, matches: Matches, alike: Matches) -> None:
        """Release the receptions recorded after this transmission.

        Args:
            matches: compares it with the recorded transmission, while a drive is opened.
            alike: the same within a cycle.
        """
        fits = matches if self._opening else alike
        for i in range(self._next, self._end):
            received, item = self._items[i]
            if not received and fits(item):
                # Items in between were received before this was sent.
                for came, between in self._items[self._next : i]:
                    if came:
                        self._receive(between)
                self._next = i + 1
                self._release()
                return

    def _release_all(self) -> None:
        while self._next < self._end:
            received, item = self._items[self._next]
            if received:
                self._receive(item)
            self._next += 1

    def begin(self, cycle: int) -> None:
        # Items before this cycle's request are late answers to the previous one; read after it,
        # they would look like this cycle's, and every later sample would be one period old.
        self._opening = False
        self._release_all()
        self._end += self._counts[cycle]
        self._release() if self._by_request else self._release_all()


class ReplayBus(can.BusABC):
    """A bus that replays a recording."""

    def __init__(self, recording: WireRecording, source: Source) -> None:
        self._recording = recording
        self._source = source
        self.channel_info = "recording"
        super().__init__(channel="recording")

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Release what was received after this then."""
        identifier, data = msg.arbitration_id, msg.data
        self._source.sent(
            lambda then: then.arbitration_id == identifier and then.data == data,
            lambda then: then.arbitration_id == identifier,
        )

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        waiting = self._source.waiting
        return (self._recording.received(waiting.popleft()) if waiting else None), False

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """Return the next frame, or None: at once if ``timeout`` is 0, else soon."""
        if not self._source.waiting and timeout != 0:
            time.sleep(NAP_S)  # while a drive is opened, a thread waits here indefinitely
        return self._recv_internal(timeout)[0]


class ReplayPort:
    """A serial port that replays a recording."""

    path = "recording"

    def __init__(self, recording: WireRecording, source: Source) -> None:
        self._recording = recording
        self._source = source

    def open(self) -> None:
        """Nothing to be done."""

    def read(self, until_s: float = 0.0) -> bytes:
        """Return the waiting bytes."""
        waiting = self._source.waiting
        chunk: bytes = self._recording.received(waiting.popleft()) if waiting else b""
        return chunk

    def write(self, data: bytes) -> None:
        """Release what was received after this then."""
        self._source.sent(lambda then: then == data, lambda _then: False)

    def close(self) -> None:
        """Nothing to be done."""
