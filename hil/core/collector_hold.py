"""Holds on Python's garbage collector, which belongs to the whole process and all its threads.

A thread that disables it and enables it again would enable it for another part that still relies
on it being off: the collector runs again when the last hold has ended.
"""

from __future__ import annotations

import gc
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_lock = threading.Lock()
_holds = 0


def hold_collector() -> None:
    """Keep the collector off until :func:`release_collector` is called as often as this."""
    global _holds
    with _lock:
        _holds += 1
        gc.disable()


def release_collector() -> None:
    """End one hold; the collector runs again after the last one."""
    global _holds
    with _lock:
        _holds -= 1
        if _holds == 0:
            gc.enable()


@contextmanager
def collector_held() -> Iterator[None]:
    """Keep the collector off inside the context, unless it is off for other reasons anyway."""
    if not gc.isenabled() and not _holds:
        yield  # switched off for good, as in the rig host
        return
    hold_collector()
    try:
        yield
    finally:
        release_collector()
