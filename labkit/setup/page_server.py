"""The page "Today" beside JupyterLab: Voila on the one notebook, behind the same token.

An extension of the Jupyter server, which imports it; nothing else does, since it is heavy. Voila's
own extension would list and run every notebook, and serve files.
"""

from __future__ import annotations

import asyncio
import logging
import os
import time
from collections.abc import AsyncIterator
from contextvars import ContextVar
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader
from jupyter_client.session import Session
from jupyter_server.base.handlers import APIHandler, FileFindHandler, JupyterHandler
from jupyter_server.serverapp import ServerApp
from jupyter_server.utils import ensure_async
from jupyterlab_server.themes_handler import ThemesHandler
from tornado.ioloop import PeriodicCallback
from tornado.web import HTTPError, authenticated
from voila.configuration import VoilaConfiguration
from voila.paths import collect_static_paths, collect_template_paths
from voila.static_file_handler import MultiStaticFileHandler, TemplateStaticFileHandler
from voila.tornado.handler import TornadoVoilaHandler
from voila.utils import get_data_dir, get_voila_labextensions_path

from labkit.setup.opening import PAGE, page_address

LEFT_AFTER_S: Final = 120.0
"""How long the kernel of a page lives that nobody is connected to: over a short sleep."""

WARM_AFTER_S: Final = 10.0
"""How long after a page was sent the kernel of the next one is started: the browser and the page's
own kernel are at work till then, on a laptop with few cores."""

LOOK_EVERY_S: Final = 20.0
"""How often the server looks for such kernels."""

WARM_UP: Final = "import labkit.setup.warm"
"""What a kernel that waits for the next page has run: the imports, which take most of the time."""

SECURITY: Final = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
    "connect-src 'self' ws: blob:; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
)
"""Nothing of the page comes from another machine (its front end would ask one for formulas); inline
scripts are Voila's, blob: is anywidget's own."""

NO_PROGRAM: Final = (
    '<script>window.tell_ended("The program behind this page did not start. What was kept is in '
    "the lab book. Open the page again; if it stays so, read the log that is named in the window "
    'of the workbook.")</script>'
)
"""Sent in place of the rest of a page, which would be waited for in vain."""

_OF_THIS_PAGE: ContextVar[str] = ContextVar("kernel of the page that is being sent")

_LOG = logging.getLogger("labkit.page")


class PageKernels:
    """The server's kernels as the page's handler sees them: one is warm, those left are ended.

    Kernels of notebooks are never touched.

    Parameters
    ----------
    kernels : MappingKernelManager
        The server's own.
    """

    def __init__(self, kernels: Any) -> None:
        self._kernels = kernels
        self._warm: str | None = None
        self._warming: asyncio.Lock = asyncio.Lock()
        self._seen: dict[str, float] = {}

    def __getattr__(self, name: str) -> Any:
        return getattr(self._kernels, name)

    async def start_kernel(self, **options: Any) -> str:
        """Hand out the warm kernel if there is one, else start one; a page needs no environment."""
        kernel_id, self._warm = self._warm, None
        if kernel_id is None or kernel_id not in self._kernels:
            kernel_id = str(await ensure_async(self._kernels.start_kernel(**options)))
        self._seen[kernel_id] = time.monotonic()
        _OF_THIS_PAGE.set(kernel_id)
        # One that died and is started again, as JupyterLab does it, would know nothing of the page.
        self._kernels.get_kernel(kernel_id).stop_restarter()
        return kernel_id

    async def lives(self, kernel_id: str) -> bool:
        """Whether the program behind a page runs; of one that was killed, what is left is removed.

        Parameters
        ----------
        kernel_id : str
            Whose.
        """
        if kernel_id not in self._kernels:
            return False
        if kernel_id not in self._seen:
            return True  # a notebook's
        if await ensure_async(self._kernels.get_kernel(kernel_id).is_alive()):
            return True
        del self._seen[kernel_id]
        await ensure_async(self._kernels.shutdown_kernel(kernel_id, now=True))
        return False

    async def serves(self, kernel_id: str) -> bool:
        """Whether the program of a page that is being sent runs; from now on it may be left.

        On a busy machine a page is sent for minutes before its browser connects.

        Parameters
        ----------
        kernel_id : str
            Whose.
        """
        if kernel_id in self._seen:
            self._seen[kernel_id] = time.monotonic()
        return await self.lives(kernel_id)

    async def warm_up(self, **options: Any) -> None:
        """Start the kernel of the next page, unless one waits already."""
        async with self._warming:
            if self._warm is not None and self._warm in self._kernels:
                return
            kernel_id = await ensure_async(self._kernels.start_kernel(**options))
            # From now on it is handed out: a page that cannot wait is soonest served by this one,
            # as another would only compete with it.
            self._warm = str(kernel_id)
            manager = self._kernels.get_kernel(kernel_id)
            # A session of its own: by it a kernel tells who asks, and of two who use the manager's
            # the page, which may come meanwhile, would never be answered.
            about = {
                "key": manager.session.key,
                "signature_scheme": manager.session.signature_scheme,
            }
            client = manager.client(session=Session(**about))
            client.start_channels()
            try:
                await ensure_async(client.wait_for_ready(timeout=120))
                client.execute(WARM_UP, silent=True, store_history=False)
            finally:
                client.stop_channels()

    async def end_left(self) -> None:
        """End the kernels of pages that were closed some time ago."""
        now = time.monotonic()
        for kernel_id, seen in list(self._seen.items()):
            if kernel_id not in self._kernels:
                del self._seen[kernel_id]
            elif self._kernels.kernel_model(kernel_id)["connections"]:
                self._seen[kernel_id] = now
            elif now - seen > LEFT_AFTER_S:
                del self._seen[kernel_id]
                await ensure_async(self._kernels.shutdown_kernel(kernel_id, now=True))


class Page(TornadoVoilaHandler):  # type: ignore[misc]
    """The one notebook, run on opening and shown without its code."""

    @property
    def kernel_manager(self) -> Any:
        """Kernels, of which one is warm."""
        return self.settings["labkit_page_kernels"]

    @authenticated
    async def get(self, path: str | None = None) -> None:
        """Send the page; there is no other."""
        if path != PAGE:
            raise HTTPError(404)
        self.set_header("Content-Security-Policy", SECURITY)
        await super().get(path)
        kernels, root = (self.settings[f"labkit_page_{name}"] for name in ("kernels", "root"))
        asyncio.get_running_loop().call_later(WARM_AFTER_S, _keep_warm, kernels, root)

    async def get_generator(self, path: str | None = None) -> AsyncIterator[str]:
        """Pieces of the page, and signs of life between them, while its program runs."""
        kernels: PageKernels = self.settings["labkit_page_kernels"]
        async for piece in super().get_generator(path):
            yield piece
            kernel_id = _OF_THIS_PAGE.get(None)
            if kernel_id is not None and not await kernels.serves(kernel_id):
                yield NO_PROGRAM
                return


class ToThePage(JupyterHandler):
    """Every other address of Voila's leads to the page."""

    @authenticated
    async def get(self, _path: str = "") -> None:
        """Lead there."""
        self.redirect(page_address())


class Alive(APIHandler):
    """Whether the program behind a page still runs: 204, or 404."""

    @authenticated
    async def get(self, kernel_id: str) -> None:
        """Say it."""
        if not await self.settings["labkit_page_kernels"].lives(kernel_id):
            raise HTTPError(404)
        self.set_status(204)
        self.finish()


def _ask_nobody_for_formulas(page_config: dict[str, Any], **_more: Any) -> dict[str, Any]:
    """Keep the page from fetching a typesetter from another machine: there are no formulas."""
    return page_config | {"fullMathjaxUrl": "/voila/static/no-formulas.js"}


def _keep_warm(kernels: PageKernels, root: str) -> None:
    task = asyncio.ensure_future(kernels.warm_up(kernel_name="python3", path=root))
    task.add_done_callback(_log_failure)


def _log_failure(task: asyncio.Task[None]) -> None:
    if not task.cancelled() and task.exception() is not None:
        _LOG.warning("no kernel could be warmed for the next page", exc_info=task.exception())


def _load_jupyter_server_extension(server: ServerApp) -> None:
    """Add the page to the server; Jupyter calls this by its name."""
    app = server.web_app
    how = VoilaConfiguration(parent=server)
    how.page_config_hook = _ask_nobody_for_formulas
    templates = collect_template_paths(["voila", "nbconvert"], how.template)
    labextensions = get_voila_labextensions_path(how.extra_labextensions_path)
    jinja = Environment(
        loader=FileSystemLoader(templates), extensions=["jinja2.ext.i18n"], autoescape=True
    )
    jinja.install_null_translations()  # type: ignore[attr-defined]
    kernels = PageKernels(server.kernel_manager)
    app.settings |= {
        "voila_jinja2_env": jinja,
        "labkit_page_kernels": kernels,
        "labkit_page_root": "",
    }
    themes = {
        "themes_url": "/voila/api/themes",
        "path": os.path.join(get_data_dir(), "themes"),
        "labextensions_path": labextensions,
        "no_cache_paths": ["/"],
    }
    static = collect_static_paths(["voila", "nbconvert"], how.template)
    page = {
        "config": server.config,
        "template_paths": templates,
        "voila_configuration": how,
    }
    app.add_handlers(  # type: ignore[no-untyped-call]
        ".*$",
        [
            (r"/voila/render/(.*)", Page, page),
            (r"/voila/alive/([0-9a-f-]+)", Alive),
            (r"/voila/?", ToThePage),
            (r"/voila/tree(.*)", ToThePage),
            (r"/voila/templates/(.*)", TemplateStaticFileHandler),
            (r"/voila/api/themes/(.*)", ThemesHandler, themes),
            (r"/voila/static/(.*)", MultiStaticFileHandler, {"paths": static}),
            (
                r"/voila/labextensions/(.*)",
                FileFindHandler,
                {"path": labextensions, "no_cache_paths": ["/"]},
            ),
        ],
    )
    looking = PeriodicCallback(kernels.end_left, 1000 * LOOK_EVERY_S)
    server.io_loop.add_callback(looking.start)
    server.io_loop.add_callback(_keep_warm, kernels, "")


def _jupyter_server_extension_points() -> list[dict[str, str]]:
    """Say where the extension is."""
    return [{"module": "labkit.setup.page_server"}]
