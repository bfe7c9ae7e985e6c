"""Long work leaves the page free, says how far it is, can be stopped, and gives way to newer."""

from __future__ import annotations

import asyncio
import threading

import pytest

from labkit.errors import ReadingError
from labkit.steps import note_step
from labkit.widgets.parts.long_work import LongWork


async def until(is_so):
    for _ in range(500):
        if is_so():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("it never came")


class Slow:
    """Work that goes on until it is let go, and counts how often it was begun."""

    def __init__(self, value="found"):
        self.value, self.begun, self.go_on, self.ended = value, 0, threading.Event(), False

    def __call__(self):
        self.begun += 1
        try:
            for step in range(1000):
                note_step(step, 1000)
                if self.go_on.wait(0.01):
                    return self.value
            raise AssertionError("nobody let it go")
        finally:
            self.ended = True


def test_without_a_loop_it_is_done_at_once_and_once():
    work, slow = LongWork("looking"), Slow()
    slow.go_on.set()

    assert work.result("a", slow, pytest.fail) == (True, "found")
    assert work.result("a", slow, pytest.fail) == (True, "found")
    assert slow.begun == 1


def test_the_loop_goes_on_meanwhile_and_the_same_is_begun_once():
    async def page():
        work, slow, told = LongWork("looking"), Slow(), []
        again = lambda: told.append(work.result("a", slow, pytest.fail))  # noqa: E731
        assert work.result("a", slow, again) == (False, None)
        await until(lambda: slow.begun == 1)
        assert work.is_running
        assert work.layout.display == ""
        assert work.result("a", slow, again) == (False, None)
        slow.go_on.set()
        await until(lambda: told)
        assert told == [(True, "found")]
        assert (slow.begun, work.is_running, work.layout.display) == (1, False, "none")

    asyncio.run(page())


def test_a_later_choice_supersedes_an_earlier_one():
    async def page():
        work, first, second, told = LongWork("looking"), Slow("old"), Slow("new"), []
        work.result("a", first, lambda: told.append("a"))
        await until(lambda: first.begun)
        second.go_on.set()
        work.result("b", second, lambda: told.append(work.result("b", second, pytest.fail)))
        await until(lambda: told)
        assert told == [(True, "new")]
        assert first.ended
        assert not first.go_on.is_set()

    asyncio.run(page())


def test_what_is_stopped_ends_and_is_begun_again_only_when_asked():
    async def page():
        work, slow, told = LongWork("looking"), Slow(), []

        def again():
            told.append(work.result("a", slow, again))

        work.result("a", slow, again)
        await until(lambda: slow.begun)
        work.press()
        await until(lambda: slow.ended)
        assert work.result("a", slow, again) == (False, None)
        await asyncio.sleep(0.05)
        assert (slow.begun, told) == (1, [])
        slow.go_on.set()
        work.press()
        await until(lambda: (True, "found") in told)
        assert slow.begun == 2

    asyncio.run(page())


def test_an_error_is_raised_where_the_result_is_asked_for():
    def refuse():
        raise ReadingError("no scores")

    async def page():
        work, told = LongWork("looking"), []

        def again():
            with pytest.raises(ReadingError, match="no scores"):
                work.result("a", refuse, again)
            told.append(True)

        work.result("a", refuse, again)
        await until(lambda: told)

    asyncio.run(page())
