"""Results of other threads reach the view model in its own thread, errors as well."""

from __future__ import annotations

import threading
from typing import NoReturn

from ui.dashboard.guided import Mailbox

PATIENCE_S = 10.0


def taken(mailbox: Mailbox, heard: list[tuple[str, str]], count: int) -> None:
    """Take messages until so many have arrived."""
    waiting = threading.Event()
    for _ in range(round(PATIENCE_S / 0.01)):
        mailbox.take()
        if len(heard) == count:
            return
        waiting.wait(0.01)
    raise AssertionError(heard)


def test_work_beside_the_page_comes_back_to_its_thread_as_result_or_error() -> None:
    mailbox, heard = Mailbox(), list[tuple[str, str]]()

    def hear(what: object) -> None:
        heard.append((str(what), threading.current_thread().name))

    def fails() -> NoReturn:
        raise RuntimeError("no disk")

    here = threading.current_thread().name
    mailbox.in_background("good", lambda: threading.current_thread().name, hear, hear)
    taken(mailbox, heard, 1)
    mailbox.in_background("bad", fails, hear, hear)
    taken(mailbox, heard, 2)
    assert heard == [("good", here), ("no disk", here)]


def test_what_shares_a_turn_works_one_after_the_other() -> None:
    mailbox, heard, alone_each = Mailbox(), list[tuple[str, str]](), []
    turn, working = threading.Lock(), threading.Semaphore()

    def work() -> None:
        alone = working.acquire(blocking=False)
        alone_each.append(alone)
        threading.Event().wait(0.002)  # long enough for another thread to begin
        if alone:
            working.release()

    def fails(error: Exception) -> NoReturn:
        raise error

    for _ in range(20):
        mailbox.in_background("one", work, lambda _: heard.append(("", "")), fails, turn)
    taken(mailbox, heard, 20)
    assert all(alone_each)
