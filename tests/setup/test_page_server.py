"""Kernels of the page: one waits warm, those left are ended, those of notebooks never."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace

import pytest
from jupyter_client.session import Session

from labkit.setup import page_server
from labkit.setup.opening import PAGE
from labkit.setup.page_server import LEFT_AFTER_S, Page, PageKernels


class Kernels:
    """A server's kernels, without processes."""

    def __init__(self):
        self.running = {}
        self.ran = []
        self.unwatched, self.killed = [], []
        self.session, self.asked_as = Session(key=b"a key"), []

    def __contains__(self, kernel_id):
        return kernel_id in self.running

    async def start_kernel(self, **_options):
        kernel_id = f"kernel {len(self.ran) + len(self.running)}"
        self.running[kernel_id] = 0
        return kernel_id

    def kernel_model(self, kernel_id):
        return {"connections": self.running[kernel_id]}

    async def shutdown_kernel(self, kernel_id, *, now):
        assert now
        del self.running[kernel_id]

    def client(self, session):
        self.asked_as.append(session)
        return self

    def get_kernel(self, kernel_id):
        return SimpleNamespace(
            session=self.session,
            client=self.client,
            stop_restarter=lambda: self.unwatched.append(kernel_id),
            is_alive=lambda: kernel_id not in self.killed,
        )

    def start_channels(self):
        pass

    def stop_channels(self):
        pass

    async def wait_for_ready(self, timeout):
        assert timeout > 0

    def execute(self, code, **_options):
        self.ran.append(code)


@pytest.fixture
def clock(monkeypatch):
    now = [1000.0]
    monkeypatch.setattr(page_server.time, "monotonic", lambda: now[0])
    return now


def test_a_page_gets_the_warm_kernel_and_the_next_one_another(clock):
    own = Kernels()
    kernels = PageKernels(own)

    async def play():
        await kernels.warm_up(kernel_name="python3")
        await kernels.warm_up(kernel_name="python3")
        assert len(own.running) == 1  # one waits, not two
        first, second = await kernels.start_kernel(), await kernels.start_kernel()
        assert first != second
        assert set(own.running) == {first, second}

    asyncio.run(play())


def test_a_page_that_comes_while_a_kernel_warms_up_gets_that_one(clock):
    own = Kernels()
    kernels = PageKernels(own)

    async def play():
        taken = []

        async def wait_for_ready(timeout):
            taken.append(await kernels.start_kernel())

        own.wait_for_ready = wait_for_ready
        await kernels.warm_up()
        assert taken == list(own.running)  # one kernel imports, not two side by side
        assert await kernels.start_kernel() != taken[0]

    asyncio.run(play())


def test_who_warms_a_kernel_up_asks_under_a_name_of_its_own(clock):
    """A kernel hears the last of two who ask under one name: of every two first pages that were
    asked for while it was made, one stayed empty."""
    own = Kernels()

    asyncio.run(PageKernels(own).warm_up(kernel_name="python3"))

    (asked_as,) = own.asked_as
    assert asked_as.session != own.session.session
    assert asked_as.key == own.session.key  # else the kernel would not believe it


def test_kernels_of_closed_pages_end_and_those_of_notebooks_and_open_pages_do_not(clock):
    own = Kernels()
    kernels = PageKernels(own)

    async def play():
        notebook = await own.start_kernel()
        closed, is_open = await kernels.start_kernel(), await kernels.start_kernel()
        own.running[is_open] = 1
        await kernels.warm_up()
        clock[0] += LEFT_AFTER_S - 1
        await kernels.end_left()
        assert closed in own.running  # a page that was reloaded, a laptop that slept
        clock[0] += 2
        await kernels.end_left()
        assert closed not in own.running
        assert {notebook, is_open} < set(own.running)
        assert len(own.running) == 3  # and the one that waits
        own.running[is_open] = 0
        await kernels.end_left()
        assert is_open in own.running
        clock[0] += LEFT_AFTER_S + 1
        await kernels.end_left()
        assert is_open not in own.running

    asyncio.run(play())


def test_a_page_that_is_long_on_its_way_keeps_its_program_and_is_told_when_that_is_gone(
    clock, monkeypatch
):
    own = Kernels()
    kernels = PageKernels(own)

    async def pieces(self, path):
        page = await kernels.start_kernel()
        for _ in range(4):
            yield "<script>window.voila_heartbeat()</script>"
            clock[0] += LEFT_AFTER_S - 1
            await kernels.end_left()
            assert page in own.running
        own.killed.append(page)
        while True:
            yield "<script>window.voila_heartbeat()</script>"

    monkeypatch.setattr(page_server.TornadoVoilaHandler, "get_generator", pieces)
    page = Page.__new__(Page)
    page.application = SimpleNamespace(settings={"labkit_page_kernels": kernels})

    async def play():
        return [piece async for piece in page.get_generator(PAGE)]

    sent = asyncio.run(play())

    assert len(sent) == 6
    assert "did not start" in sent[-1]
    assert not own.running


def test_a_warm_kernel_that_died_is_not_handed_out(clock):
    own = Kernels()
    kernels = PageKernels(own)

    async def play():
        await kernels.warm_up()
        own.running.clear()
        assert await kernels.start_kernel() in own.running

    asyncio.run(play())


def test_a_page_whose_program_was_killed_is_told_so_and_notebooks_are_left_alone(clock):
    own = Kernels()
    kernels = PageKernels(own)

    async def play():
        notebook, page = await own.start_kernel(), await kernels.start_kernel()
        assert own.unwatched == [page]  # else another would start under its name
        assert await kernels.lives(page)
        own.killed += [notebook, page]
        assert not await kernels.lives(page)
        assert not await kernels.lives(page)
        assert await kernels.lives(notebook)
        assert set(own.running) == {notebook}
        assert not await kernels.lives("nobody's")

    asyncio.run(play())
