"""The window's process has priority over computing programs, and loses it when it hangs."""

import os
import subprocess
import sys

import pytest

NEEDED = pytest.mark.skipif(
    not hasattr(os, "sched_setscheduler"), reason="the system offers no real-time priority"
)

# In a process of its own: the priority applies to the whole process.
GRANTED = """
import threading
from ui.dashboard.priority import favour, has_priority
told = []
print(favour() == has_priority())
later = threading.Thread(target=lambda: told.append(has_priority()))
later.start()
later.join()
print(told)
"""

STUCK = """
import resource, time
from ui.dashboard import priority
priority.LONGEST_RUN_S = 0.1
granted = priority.favour()
end = time.monotonic() + 10
while priority.has_priority() and time.monotonic() < end:
    pass
print(granted, priority.has_priority())
"""


def said_by(program):
    return subprocess.run(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, text=True, check=True, timeout=60
    ).stdout.split("\n")


@NEEDED
def test_priority_is_for_the_threads_that_take_keys_not_for_later_ones():
    assert said_by(GRANTED)[:2] == ["True", "[False]"]


@NEEDED
def test_a_window_that_computes_without_end_loses_its_priority():
    granted, has_priority = said_by(STUCK)[0].split()
    assert has_priority == "False", granted
