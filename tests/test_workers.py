"""Work shared out between forked processes: same results in the same order as one after another."""

from __future__ import annotations

import os
import threading
import time

import pytest

from quietcopper import workers
from quietcopper.workers import several_processes, spread

pytestmark = pytest.mark.skipif(not workers.FORKS, reason="this system has no fork that is safe")


@pytest.fixture(autouse=True)
def two_cores(monkeypatch):
    monkeypatch.setattr(workers, "_cores", lambda: 2)


def slow(number):
    time.sleep(0.02)
    return number, os.getpid()


def test_results_come_in_order_from_more_than_one_process():
    with several_processes(2):
        out = spread([lambda n=n: slow(n) for n in range(12)])
    assert [number for number, _ in out] == list(range(12))
    assert out[0][1] == os.getpid()
    assert len({pid for _, pid in out}) == 2


def test_without_leave_everything_is_done_here():
    assert {pid for _, pid in spread([lambda n=n: slow(n) for n in range(4)])} == {os.getpid()}


def test_a_thread_does_not_fork():
    seen = []

    def in_thread():
        seen.extend(spread([lambda n=n: slow(n) for n in range(4)]))

    with several_processes(2):
        thread = threading.Thread(target=in_thread)
        thread.start()
        thread.join()
    assert {pid for _, pid in seen} == {os.getpid()}


def test_a_fork_does_not_fork_again():
    def inner():
        time.sleep(0.02)
        return os.getpid(), {pid for _, pid in spread([lambda n=n: slow(n) for n in range(4)])}

    with several_processes(2):
        out = spread([inner] * 6)
    inside = [(own, below) for own, below in out if own != os.getpid()]
    assert inside
    assert all(below == {own} for own, below in inside)


def test_the_first_failure_is_raised():
    def fails(number):
        time.sleep(0.02)
        if number in (3, 5):
            raise ValueError(str(number))
        return number

    with several_processes(2), pytest.raises(ValueError, match="3"):
        spread([lambda n=n: fails(n) for n in range(8)])


def test_what_a_dead_process_leaves_is_done_here():
    here = os.getpid()

    def dies(number):
        time.sleep(0.02)
        if os.getpid() != here:
            os._exit(9)
        return number

    with several_processes(2):
        assert spread([lambda n=n: dies(n) for n in range(6)]) == list(range(6))


def test_a_result_that_cannot_travel_is_told():
    here = os.getpid()

    def piece():
        time.sleep(0.02)
        return (lambda: None) if os.getpid() != here else None

    with several_processes(2), pytest.raises(RuntimeError, match="cannot be sent between processes"):
        spread([piece] * 6)


def test_large_results_travel():
    with several_processes(2):
        out = spread([lambda n=n: (time.sleep(0.02), bytes([n]) * 3_000_000)[1] for n in range(6)])
    assert [len(data) for data in out] == [3_000_000] * 6
    assert [data[0] for data in out] == list(range(6))
