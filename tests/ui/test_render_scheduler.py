"""What is drawn gives way to the heartbeat."""

import pytest

from ui.dashboard.widgets.render_scheduler import RenderScheduler


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


def test_a_turn_ends_with_the_slice_that_spends_its_budget(clock):
    done = []
    pacer = RenderScheduler(0.008, clock)
    pacer.add(0.04, slices(clock, done, "a", 5, 0.005))
    pacer.turn()
    assert done == ["a0", "a1"]
    pacer.turn()
    pacer.turn()
    assert done == ["a0", "a1", "a2", "a3", "a4"]


def test_one_slice_is_done_however_long_it_takes_and_no_rhythm_starves(clock):
    done = []
    pacer = RenderScheduler(0.008, clock)
    pacer.add(0.04, slices(clock, done, "a", 3, 0.05))
    pacer.add(0.10, slices(clock, done, "b", 1, 0.05))
    for _ in range(8):
        before = len(done)
        pacer.turn()
        assert len(done) == before + 1
    assert done.count("b0") >= 2 and done.count("a2") >= 1


def test_frames_that_are_late_are_left_out_not_made_up_for(clock):
    done = []
    pacer = RenderScheduler(0.008, clock)
    pacer.add(0.04, slices(clock, done, "a", 1, 0.0))
    pacer.turn()
    clock.now_s = 1.0
    for _ in range(5):
        pacer.turn()
    assert done == ["a0", "a0"]


def test_a_slice_that_fails_is_not_tried_for_ever(clock):
    done = []

    def broken():
        raise RuntimeError("slice")

    pacer = RenderScheduler(0.008, clock)
    pacer.add(0.04, lambda: [broken, lambda: done.append("after")])
    with pytest.raises(RuntimeError):
        pacer.turn()
    pacer.turn()
    assert done == ["after"]
