"""Requests without waiting: one answer to each number, whatever happens to the rig host."""

from __future__ import annotations

import time

import pytest

from hil.core.requests import Tare
from hil.link.client import Answer, Client
from tests.hil.link.served import Served

pytestmark = pytest.mark.real_time

PATIENCE_S = 10.0


def answer_to(client: Client, *numbers: int) -> Answer:
    """Return the answer to the last of these numbers, once each has had one answer."""
    answers: list[Answer] = []
    deadline = time.monotonic() + PATIENCE_S
    while len(answers) < len(numbers):
        assert time.monotonic() < deadline, f"only {answers} came"
        client.poll()
        answers += client.answers()
        time.sleep(0.005)
    assert sorted(answer.number for answer in answers) == sorted(numbers)
    return next(answer for answer in answers if answer.number == numbers[-1])


def test_control_is_taken_and_a_request_answered_later(served: Served) -> None:
    with Client.connect(served.directory) as client:
        refused = answer_to(client, client.post(Tare()))
        assert not refused.accepted and "control" in refused.text and not refused.silent
        assert answer_to(client, client.post_take(), client.post(Tare())).accepted
        assert client.in_control
        asked = client.post(Tare())
        assert client.stop()  # a blocking request does not take the answer of a posted one
        assert not answer_to(client, asked).silent  # accepted, or overtaken by the stop


def test_silence_is_an_answer_too_and_the_stop_was_sent_all_the_same(served: Served) -> None:
    with Client.connect(served.directory) as client:
        served.pause()
        number = client.post_stop(timeout_s=0.1)
        answer = answer_to(client, number)
        assert answer.silent and not answer.accepted and "does not answer" in answer.text
        served.resume()
        assert client.stop()


def test_another_rig_host_on_the_same_link_obeys_nothing_before_it_is_greeted(
    served: Served,
) -> None:
    with Client.connect(served.directory) as client:
        client.take_control()
        served.terminate()
        served.start()
        deadline = time.monotonic() + PATIENCE_S
        while True:
            answer = answer_to(client, client.post(Tare(), timeout_s=0.3))
            if not answer.silent:
                break
            assert time.monotonic() < deadline
        assert not answer.accepted and "another rig host" in answer.text
        assert not client.in_control
        while not answer_to(client, client.post_take()).accepted:
            assert time.monotonic() < deadline
        assert answer_to(client, client.post(Tare())).accepted
