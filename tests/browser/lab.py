"""A notebook of the workbook in JupyterLab, as somebody at a browser works in it."""

from __future__ import annotations

from tests.project import PROJECT

PANEL = ".jp-NotebookPanel:not(.lm-mod-hidden)"
PASSPHRASE = "a new passphrase"


def panel(page):
    """The notebook in front."""
    return page.locator(PANEL)


def load_lab(page, server):
    """Open JupyterLab, in a workspace of its own, with nothing in it."""
    page.goto(server.page(), timeout=90_000)
    page.wait_for_function(
        "window.jupyterapp && window.jupyterapp.restored", timeout=90_000, polling=200
    )
    page.evaluate("window.jupyterapp.restored")


def put_away(page):
    """Close what is open in JupyterLab, asking nobody, and show its left side."""
    page.evaluate(
        """() => {
            const { shell } = window.jupyterapp;
            [...shell.widgets('main')].forEach((one) => one.dispose());
            if (shell.leftCollapsed) shell.expandLeft();
        }"""
    )


def open_notebook(page, notebook):
    """Open a notebook, as from the list on the left, and wait until its kernel is there."""
    page.evaluate(
        """async (path) => {
            const { commands, shell } = window.jupyterapp;
            const widget = await commands.execute('docmanager:open', { path });
            await widget.context.ready;
            await widget.sessionContext.ready;
            while (shell.currentWidget !== widget) await new Promise((on) => setTimeout(on, 50));
        }""",
        notebook,
    )


def cells(page):
    """How many cells the notebook in front has, those out of sight too, which a page may lack."""
    return page.evaluate("window.jupyterapp.shell.currentWidget.model.cells.length")


def run_all(page):
    """Run every cell, none of which may fail."""
    assert page.evaluate("window.jupyterapp.commands.execute('notebook:run-all-cells')")


def run_notebook(page, notebook):
    """Open a notebook and run every cell."""
    open_notebook(page, notebook)
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
