"""A call that hangs keeps nobody waiting; one that comes too late hands over what it holds."""

from __future__ import annotations

import threading
import time

import pytest

from crankfold.acquire.deadline import call_within


def test_what_is_returned_and_what_is_raised_comes_through() -> None:
    let_go: list[str] = []
    assert call_within(lambda: "a board", 5.0, name="opening", too_late=let_go.append) == "a board"
    assert call_within(lambda: None, 5.0, name="opening") is None
    for error in (ValueError("no"), SystemExit(3), KeyboardInterrupt()):
        def fails(error: BaseException = error) -> None:
            raise error

        with pytest.raises(type(error)) as caught:
            call_within(fails, 5.0, name="opening")
        assert caught.value is error
    assert let_go == []


def test_it_runs_in_a_thread_of_that_name_which_no_program_waits_for() -> None:
    thread = call_within(threading.current_thread, 5.0, name="opening bench")
    assert thread is not threading.current_thread()
    assert (thread.name, thread.daemon) == ("opening bench", True)


@pytest.mark.parametrize("lets_go", [True, False])
def test_a_call_that_hangs_is_left_and_what_it_returns_after_all_is_let_go(lets_go, long_s) -> None:
    released, handed = threading.Event(), []

    def hangs() -> str:
        released.wait(120)
        return "a board"

    began_s = time.monotonic()
    with pytest.raises(TimeoutError, match=r"^opening bench did not answer within 0\.05 s$"):
        call_within(hangs, 0.05, name="opening bench", too_late=handed.append if lets_go else None)
    assert time.monotonic() - began_s < long_s
    (thread,) = (one for one in threading.enumerate() if one.name == "opening bench")
    assert handed == []
    released.set()
    thread.join()
    assert handed == (["a board"] if lets_go else [])


def test_an_error_that_comes_too_late_is_nobodys() -> None:
    released = threading.Event()

    def fails() -> None:
        released.wait(120)
        raise ValueError

    with pytest.raises(TimeoutError):
        call_within(fails, 0.05, name="opening late")
    (thread,) = (one for one in threading.enumerate() if one.name == "opening late")
    released.set()
    thread.join()
    assert not thread.is_alive()
