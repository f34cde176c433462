"""SDO server of the simulated node (CiA 301): expedited both ways, segmented upload."""

from __future__ import annotations

import struct

from drivers.cia402.dictionary import Abort, Dictionary

TOGGLE_NOT_ALTERNATED = 0x0503_0000
UNKNOWN_COMMAND = 0x0504_0001
SEGMENT_BYTES = 7


class SdoServer:
    """SDO server for one client at a time."""

    def __init__(self, dictionary: Dictionary) -> None:
        self._dictionary = dictionary
        self._left = b""
        self._toggle = 0
        self._place = (0, 0)
        self._uploading = False

    def answer(self, request: bytes) -> bytes | None:
        """Return the answer of 8 bytes to a request of 8 bytes; None for no answer."""
        command = request[0]
        if command >> 5 == 3:
            index, subindex = self._place
        else:
            index, subindex = struct.unpack_from("<HB", request, 1)
        try:
            if command >> 5 == 2:
                return self._start_upload(index, subindex)
            if command >> 5 == 3:
                return self._upload_segment(command)
            if command >> 5 == 1:
                return self._download(command, index, subindex, request[4:])
            if command >> 5 == 4:
                self._uploading = False  # the client gave up
                return None
            raise Abort(UNKNOWN_COMMAND)
        except Abort as abort:
            self._uploading = False
            return struct.pack("<BHBI", 0x80, index, subindex, abort.code)

    def _start_upload(self, index: int, subindex: int) -> bytes:
        self._uploading = False
        value = self._dictionary.upload(index, subindex)
        if len(value) <= 4:
            head = 0x43 | (4 - len(value)) << 2
            return struct.pack("<BHB4s", head, index, subindex, value)
        self._uploading = True
        self._left = value
        self._toggle = 0
        self._place = index, subindex
        return struct.pack("<BHBI", 0x41, index, subindex, len(value))

    def _upload_segment(self, command: int) -> bytes:
        if not self._uploading:
            raise Abort(UNKNOWN_COMMAND)
        if command >> 4 & 1 != self._toggle:
            raise Abort(TOGGLE_NOT_ALTERNATED)
        segment, self._left = self._left[:SEGMENT_BYTES], self._left[SEGMENT_BYTES:]
        last = not self._left
        head = self._toggle << 4 | (SEGMENT_BYTES - len(segment)) << 1 | last
        self._toggle ^= 1
        self._uploading = not last
        return struct.pack("<B7s", head, segment)

    def _download(self, command: int, index: int, subindex: int, data: bytes) -> bytes:
        self._uploading = False
        if not command & 0x02:
            raise Abort(UNKNOWN_COMMAND)  # segmented: nothing here is that long
        length = 4 - (command >> 2 & 3) if command & 1 else 4
        self._dictionary.download(index, subindex, data[:length])
        return struct.pack("<BHB4x", 0x60, index, subindex)
