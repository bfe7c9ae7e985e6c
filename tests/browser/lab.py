"""A notebook of the workbook in JupyterLab, as somebody at a browser works in it."""

from __future__ import annotations

from tests.project import PROJECT

PANEL = ".jp-NotebookPanel:not(.lm-mod-hidden)"
PASSPHRASE = "a new passphrase"


def panel(page):
    """The notebook in front."""
    return page.locator(PANEL)


def open_notebook(page, server, notebook):
    """Open a notebook and wait until its kernel is there.

    Another one is on the page already: this one opens beside it, as from the list on the left.
    """
    if panel(page).count():
        page.evaluate(
            """async (path) => {
                await window.jupyterapp.commands.execute('docmanager:open', { path });
            }""",
            notebook,
        )
    else:
        page.goto(server.page(notebook))
        page.wait_for_function(
            "window.jupyterapp && window.jupyterapp.restored", timeout=90_000, polling=200
        )
        page.evaluate("window.jupyterapp.restored")
        page.wait_for_selector(PANEL, timeout=60_000)
    page.evaluate(
        """async () => {
            const widget = window.jupyterapp.shell.currentWidget;
            await widget.context.ready;
            await widget.sessionContext.ready;
        }"""
    )


def run_all(page):
    """Run every cell, none of which may fail."""
    assert page.evaluate("window.jupyterapp.commands.execute('notebook:run-all-cells')")


def run_notebook(page, server, notebook):
    """Open a notebook and run every cell."""
    open_notebook(page, server, notebook)
    run_all(page)


def shows_no_error(page):
    """Whether neither a cell nor a press of a button has written an error below a cell."""
    page.wait_for_timeout(1000)
    errors = "[data-mime-type*=stderr], [data-mime-type*=error]"
    return panel(page).locator(f".jp-RenderedText:is({errors})").count() == 0


def picture(page, name, at=None):
    """A picture to look at; git ignores the folder."""
    folder = PROJECT / "tests" / "browser" / "screenshots"
    folder.mkdir(exist_ok=True)
    if at is not None:
        at.scroll_into_view_if_needed()
        page.wait_for_timeout(300)
    page.screenshot(path=folder / f"{name}.png")


def seal(page):
    """Type the passphrase, press, and take the bench sheet that comes down."""
    first = panel(page).get_by_label("Preparer's passphrase").last
    first.fill(PASSPHRASE)
    first.press("Tab")  # what is typed must be repeated
    panel(page).get_by_label("Repeat passphrase").fill(PASSPHRASE)
    panel(page).get_by_label("Repeat passphrase").press("Tab")
    with page.expect_download() as download:
        panel(page).get_by_role("button", name="Plan and seal").click()
    return download.value.path().read_text()
