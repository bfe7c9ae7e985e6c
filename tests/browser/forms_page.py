"""Pages of the forms of each step, without code: Voila on notebooks of one call."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import time
import urllib.error
import urllib.request

from tests.project import PROJECT, free_port
from tests.widgets.every_form import STEPS

CODE = """
from IPython.display import HTML, display
from labkit.book import LabBook
from tests.widgets.every_form import STEPS
for form in STEPS[{step!r}](LabBook({book!r})).values():
    display(form)
display(HTML('<p id="all-there"></p>'))
"""


@contextlib.contextmanager
def forms_pages(folder, book_path):
    """Address of each step's page on a lab book, by the name of the step."""
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    about = {"metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    pages = folder / "pages"
    pages.mkdir()
    for step in STEPS:
        cell = {"cell_type": "code", "id": "forms", "metadata": {}, "outputs": []}
        cell |= {"execution_count": None, "source": CODE.format(step=step, book=str(book_path))}
        (pages / f"{_file(step)}.ipynb").write_text(json.dumps({"cells": [cell], **about}))
    port = free_port()
    with (folder / "voila.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "voila", str(pages), "--no-browser", f"--port={port}"],
            cwd=PROJECT,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    address = f"http://127.0.0.1:{port}/voila/"
    try:
        _wait_for(f"{address}static/voila.js", process)
        yield {step: f"{address}render/{_file(step)}.ipynb" for step in STEPS}
    finally:
        process.terminate()
        process.wait(timeout=30)


def _file(step):
    return step.replace(" ", "-")


def _wait_for(address, process):
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    while process.poll() is None:
        try:
            with direct.open(address, timeout=10):
                return
        except urllib.error.HTTPError:
            return
        except OSError:
            time.sleep(0.2)
    raise RuntimeError("Voila did not start")


def open_forms(page, address):
    """Open it and wait for its last form."""
    page.set_default_timeout(120_000)  # a busy machine takes its time; nothing here is timed
    page.goto(address, wait_until="commit", timeout=120_000)
    page.locator("#all-there").wait_for(state="attached", timeout=120_000)
    page.locator(".lk-form:visible").first.wait_for(timeout=120_000)
    count, before = page.locator(".lk-form").count(), -1
    while count != before:  # forms come one after the other
        page.wait_for_timeout(2000)
        count, before = page.locator(".lk-form").count(), count
