"""The forms of all steps on one page without code, one step shown at a time: Voila on one call."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import time
import urllib.error
import urllib.request

from tests.project import PROJECT, free_port

CODE = """
import ipywidgets as widgets
from IPython.display import display
from labkit.book import LabBook
from tests.widgets.every_form import STEPS
for step, forms in STEPS.items():
    box = widgets.VBox(list(forms(LabBook({book!r})).values()))
    display(box.add_class("a-step").add_class("step-" + step.replace(" ", "-")))
display(widgets.HTML('<p id="all-there"></p>'))
"""

SHOW = """step => {
    window.homes ??= new Map(
        [...document.querySelectorAll(".a-step")].map(box => [box, box.parentNode]));
    for (const [box, home] of window.homes)
        box.classList.contains("step-" + step) ? home.append(box) : box.remove();
}"""
"""The others leave the page: their fields have the same labels."""


@contextlib.contextmanager
def forms_page(folder, book_path, kernels_from):
    """Address of a page with every form on a lab book; JUPYTER_PATH is `kernels_from`."""
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    about = {"metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    cell = {"cell_type": "code", "id": "forms", "metadata": {}, "outputs": []}
    cell |= {"execution_count": None, "source": CODE.format(book=str(book_path))}
    notebook = folder / "forms.ipynb"
    notebook.write_text(json.dumps({"cells": [cell], **about}))
    port = free_port()
    with (folder / "voila.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "voila", str(notebook), "--no-browser", f"--port={port}"],
            cwd=PROJECT,
            env={**os.environ, "JUPYTER_PATH": os.pathsep.join(kernels_from)},
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    address = f"http://127.0.0.1:{port}/"
    try:
        _wait_for(f"{address}static/voila.js", process)
        yield address
    finally:
        process.terminate()
        process.wait(timeout=30)


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


def show_step(page, step):
    """Leave only one step's forms on the page."""
    page.evaluate(SHOW, step.replace(" ", "-"))
    page.locator(".lk-form:visible").first.wait_for(timeout=120_000)
