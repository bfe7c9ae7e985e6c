"""What the page Today costs: seconds of processor of server, kernel and browser, and messages.

    python -m tests.benchmarks.page_speed --turns 2

Opens the page in Chromium with a kernel that waits warm, as its second and later openings do, and
visits every step. Processor seconds do not go with what else the machine does, seconds of the clock
(at the end of each line) do. The first turn also makes the demo book.
"""

from __future__ import annotations

import argparse
import os
import secrets
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import psutil

from labkit.setup.opening import jupyter_command, jupyter_environment
from tests.conftest import CHROMIUM_FLAGS, find_chromium
from tests.project import PROJECT, copy_data, copy_workbook, free_port

PAGE = "/voila/render/0-today.ipynb"
STEPS = ("bottles", "plan", "verdict", "hand-over", "all-coffees", "taste")
WAIT_MS = 120_000


def spent(processes: Iterable[psutil.Process]) -> float:
    """Processor seconds of those that still run."""
    total = 0.0
    for one in processes:
        try:
            times = one.cpu_times()
        except psutil.Error:
            continue
        total += times.user + times.system
    return total


def called(process: psutil.Process) -> str:
    """The command line of a process; empty if it has ended."""
    try:
        return " ".join(process.cmdline())
    except psutil.Error:
        return ""


def warm_kernel(server: psutil.Process, known: set[int]) -> psutil.Process:
    """The kernel that waits for the next page, once it has imported everything and rests."""
    while True:
        time.sleep(1)
        for one in server.children(recursive=True):
            if one.pid in known or "ipykernel" not in called(one):
                continue
            before = spent([one])
            time.sleep(2)
            if before > 1 and spent([one]) - before < 0.05:
                known.add(one.pid)
                return one


def browsers() -> list[psutil.Process]:
    """All processes of the browser."""
    return [one for one in psutil.Process().children(recursive=True) if "chrom" in one.name()]


def visit(page: Any, url: str, server: psutil.Process, kernel: psutil.Process) -> None:
    """Open the page, then each step."""
    messages: Counter[str] = Counter()
    page.on(
        "websocket", lambda one: one.on("framereceived", lambda _frame: messages.update(["in"]))
    )

    def lap(name: str, work: Callable[[], Any]) -> None:
        before = [spent([server]), spent([kernel]), spent(browsers()), messages["in"]]
        start = time.perf_counter()
        work()
        after = [spent([server]), spent([kernel]), spent(browsers()), messages["in"]]
        of_server, of_kernel, of_browser, n = (b - a for a, b in zip(before, after, strict=True))
        memory = kernel.memory_info().rss / 2**20
        sys.stdout.write(
            f"{name:14s} server {of_server:5.2f} kernel {of_kernel:5.2f} browser {of_browser:5.2f} "
            f"messages {n:5.0f} kernel's memory {memory:4.0f} MB, "
            f"{time.perf_counter() - start:6.2f} s\n"
        )
        sys.stdout.flush()

    def open_page() -> None:
        page.goto(url, timeout=WAIT_MS)
        page.locator(".lk-step-taste .lk-part").first.wait_for(timeout=WAIT_MS)

    def go(step: str) -> None:
        page.locator(f"nav button[data-step={step}]").click()
        page.locator(f".lk-step-{step} .lk-part").first.wait_for(timeout=WAIT_MS)

    lap("opened", open_page)
    for step in STEPS:
        lap(step, lambda step=step: go(step))  # type: ignore[misc]
        page.wait_for_timeout(4000)  # what goes on beside the page


def main() -> None:
    """Start a server, open the page some times."""
    from playwright.sync_api import sync_playwright

    asked = argparse.ArgumentParser()
    asked.add_argument("--turns", type=int, default=2)
    turns = asked.parse_args().turns
    with tempfile.TemporaryDirectory(prefix="labkit-") as name:
        folder = Path(name)
        workbook, port, token = copy_workbook(folder), free_port(), secrets.token_urlsafe(24)
        own = {**os.environ, "LABKIT_DATA": str(copy_data(folder))}
        running = subprocess.Popen(
            jupyter_command(Path(sys.executable), workbook, port=port),
            cwd=workbook,
            env=jupyter_environment(own, token=token, project=PROJECT, home=folder / "jupyter"),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            server, known = psutil.Process(running.pid), set[int]()
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(
                    executable_path=find_chromium(), args=list(CHROMIUM_FLAGS)
                )
                context = browser.new_context(viewport={"width": 1280, "height": 900})
                for turn in range(turns):
                    kernel = warm_kernel(server, known)
                    sys.stdout.write(f"turn {turn + 1}\n")
                    page = context.new_page()
                    visit(page, f"http://127.0.0.1:{port}{PAGE}?token={token}", server, kernel)
                    page.close()
                browser.close()
        finally:
            running.terminate()
            running.wait(timeout=30)


if __name__ == "__main__":
    main()
