"""Drawing gives way to the heartbeat."""

import pytest
from PySide6.QtCore import QEvent, QObject
from PySide6.QtWidgets import QApplication

from ui.dashboard.widgets.render_scheduler import RenderScheduler
from ui.dashboard.window import Window


class Clock:
    def __init__(self):
        self.now_s = 0.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


def slices(clock, done, name, count, cost_s):
    def one(number):
        clock.now_s += cost_s
        done.append(f"{name}{number}")

    return lambda: [lambda n=n: one(n) for n in range(count)]


def turn(pacer):
    """Run one turn without keys; return the number of slices drawn in it."""
    pacer.begin_turn()
    steps = 1
    while pacer.step():
        steps += 1
    return steps


def test_a_turn_ends_with_the_slice_that_spends_its_budget(clock):
    done: list[str] = []
    pacer = RenderScheduler(0.008, clock)
    pacer.add(0.04, slices(clock, done, "a", 5, 0.005))
    turn(pacer)
    assert done == ["a0", "a1"]
    turn(pacer)
    turn(pacer)
    assert done == ["a0", "a1", "a2", "a3", "a4"]


def test_one_slice_is_done_however_long_it_takes_and_no_rhythm_starves(clock):
    done: list[str] = []
    pacer = RenderScheduler(0.008, clock)
    pacer.add(0.04, slices(clock, done, "a", 3, 0.05))
    pacer.add(0.10, slices(clock, done, "b", 1, 0.05))
    for _ in range(8):
        before = len(done)
        turn(pacer)
        assert len(done) == before + 1
    assert done.count("b0") >= 2 and done.count("a2") >= 1


def test_frames_that_are_late_are_left_out_not_made_up_for(clock):
    done: list[str] = []
    pacer = RenderScheduler(0.008, clock)
    pacer.add(0.04, slices(clock, done, "a", 1, 0.0))
    turn(pacer)
    clock.now_s = 1.0
    for _ in range(5):
        turn(pacer)
    assert done == ["a0", "a0"]


def test_a_slice_that_fails_is_not_tried_for_ever(clock):
    done: list[str] = []

    def broken():
        raise RuntimeError("slice")

    pacer = RenderScheduler(0.008, clock)
    pacer.add(0.04, lambda: [broken, lambda: done.append("after")])
    with pytest.raises(RuntimeError):
        turn(pacer)
    turn(pacer)
    assert done == ["after"]


@pytest.mark.pages("Operate")
def test_keys_are_looked_for_after_each_slice(qapp, model):
    """A key press waits for one slice, not for a frame."""
    order: list[str] = []
    window = Window(model, None)

    class Steps(RenderScheduler):
        left = 5

        def step(self) -> bool:
            order.append("slice")
            self.left -= 1
            if self.left == 3:
                # As the window system posts it: queued when the slice ends.
                QApplication.postEvent(key, QEvent(QEvent.Type.User))
            return self.left > 0

    class Key(QObject):
        def event(self, event):
            if event.type() == QEvent.Type.User:
                order.append("key")
                return True
            return super().event(event)

    key = Key()
    window.pacer = Steps(budget_s=1.0)
    window._drawing.start()
    while window._drawing.isActive():
        qapp.processEvents()
    assert order == ["slice", "slice", "key", "slice", "slice", "slice"]
    window.close()
