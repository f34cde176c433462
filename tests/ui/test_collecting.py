"""Garbage is collected in Qt's thread alone, whichever thread makes it."""

import gc
import threading
import weakref

import pytest

from ui.dashboard.collecting import CollectorInTurn


class Knot:
    """An object that refers to itself: only the collector frees it."""

    def __init__(self, told):
        self.me = self
        weakref.finalize(self, lambda: told.append(threading.current_thread()))


@pytest.fixture
def usual_threshold():
    """Use Python's default threshold; the suite collects rarely."""
    before = gc.get_threshold()
    gc.set_threshold(700, 10, 10)
    yield
    gc.set_threshold(*before)


def test_garbage_of_another_thread_is_collected_in_this_one(qapp, qtbot, usual_threshold):
    collector = CollectorInTurn(qapp)
    told: list[threading.Thread] = []
    thread = threading.Thread(target=lambda: [Knot(told) for _ in range(5000)])
    thread.start()
    thread.join()
    assert told == []  # with the collector on, five thousand objects start a collection
    qtbot.waitUntil(lambda: len(told) == 5000, timeout=5000)
    assert set(told) == {threading.main_thread()}
    assert not gc.isenabled()
    collector.end()
    assert not gc.isenabled()  # the hold of the test itself remains
