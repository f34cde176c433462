"""SocketCAN for the cycle: python-can's bus, with the kernel's time of each reception.

python-can hands on the kernel's stamp as wall-clock time; here it is also on the monotonic clock
(:class:`~drivers.transport.kernel_stamps.StampedFrame`). A waiting frame is read without asking
first whether one waits, and a frame is sent without the log and the clock of the stock methods,
which cost more than the system call.
"""

from __future__ import annotations

import errno
import select
import socket
import time
from typing import Any

import can
from can.interfaces.socketcan import constants
from can.interfaces.socketcan.socketcan import SocketcanBus, build_can_frame, dissect_can_frame

from drivers.transport.kernel_stamps import StampClock, StampedFrame, receive_stamped

CLASSIC_BYTES = 16  # struct can_frame, linux/can.h


class StampedSocketcanBus(SocketcanBus):
    """One SocketCAN interface. One thread may use it."""

    def __init__(self, channel: str = "", **kwargs: Any) -> None:
        super().__init__(channel=channel, **kwargs)
        self._clock = StampClock()

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """Return one frame, or None after ``timeout`` seconds; 0 does not wait.

        Raises:
            can.CanOperationError: the interface was lost.
        """
        if self._filters and not self._is_filtered:
            return super().recv(timeout)
        return self._recv_internal(timeout)[0]

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        connection, filtered = self.socket, self._is_filtered
        try:
            try:
                return self._next(connection), filtered
            except BlockingIOError:
                if timeout is not None and timeout <= 0.0:
                    return None, filtered
            # select, not poll: poll rounds a wait of 0.3 ms up to a whole millisecond.
            if not select.select((connection,), (), (), timeout)[0]:
                return None, filtered
            return self._next(connection), filtered
        except BlockingIOError:
            return None, filtered
        except (OSError, ValueError) as error:
            number = getattr(error, "errno", None)
            raise can.CanOperationError(f"{self.channel_info}: {error}", number) from error

    def _next(self, connection: socket.socket) -> StampedFrame:
        packet, flags, received_s = receive_stamped(connection, constants.CANFD_MTU, self._clock)
        if len(packet) < CLASSIC_BYTES:
            raise OSError(errno.ENETDOWN, "the interface is gone")
        number, length, kind, data = dissect_can_frame(packet)
        extended = bool(number & constants.CAN_EFF_FLAG)
        frame = StampedFrame(
            timestamp=time.time(),
            channel=self.channel,
            arbitration_id=number & (0x1FFF_FFFF if extended else 0x7FF),
            is_extended_id=extended,
            is_remote_frame=bool(number & constants.CAN_RTR_FLAG),
            is_error_frame=bool(number & constants.CAN_ERR_FLAG),
            is_fd=len(packet) == constants.CANFD_MTU,
            is_rx=not flags & socket.MSG_DONTROUTE,  # set for a frame sent by this computer
            bitrate_switch=bool(kind & constants.CANFD_BRS),
            error_state_indicator=bool(kind & constants.CANFD_ESI),
            dlc=length,
            data=data,
        )
        frame.received_s = received_s
        return frame

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Pass a frame to the kernel, without waiting.

        Raises:
            can.CanOperationError: the interface was lost, or its queue is full.
        """
        try:
            self.socket.send(build_can_frame(msg), socket.MSG_DONTWAIT)
        except OSError as error:
            raise can.CanOperationError(
                f"{self.channel_info}: frame not sent: {error.strerror}", error.errno
            ) from error
