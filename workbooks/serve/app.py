"""Voila with our list of addresses, our guards and our order of starting things."""

from __future__ import annotations

import asyncio
import logging
import shutil
import sys
import threading
import webbrowser
from pathlib import Path

import jinja2
import plotly
from jupyter_core.utils import run_sync
from jupyter_server import DEFAULT_STATIC_FILES_PATH
from jupyter_server.base.handlers import FileFindHandler
from jupyter_server.services.kernels.handlers import KernelHandler
from tornado.ioloop import IOLoop
from voila.app import Voila
from voila.static_file_handler import MultiStaticFileHandler

from workbooks import bootstrap
from workbooks.serve import config, handlers, library, preheat, sockets

KERNEL_ID = r"(?P<kernel_id>[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})"


class WorkbookServer(Voila):
    """One server for one folder of workbooks.

    Parameters
    ----------
    options : config.Options
        What the start command was asked for.
    """

    def __init__(self, options: config.Options, **kwargs) -> None:
        super().__init__(config=config.build_config(options), **kwargs)
        self.options = options
        self.log.addFilter(_is_worth_a_line)

    def init_settings(self) -> dict:
        """Return Voila's settings with our pages for errors and login, and our headers."""
        settings = super().init_settings()
        settings["jinja2_env"].loader = jinja2.FileSystemLoader(str(config.TEMPLATE_DIR))
        settings["default_handler_class"] = handlers.NotFoundHandler
        settings["headers"] = {
            "Content-Security-Policy": config.CONTENT_SECURITY_POLICY,
            "Referrer-Policy": "same-origin",
        }
        return settings

    def init_handlers(self) -> list:
        """Return every address there is; all others answer 404."""
        static_paths = [path for path in self.static_paths if path != DEFAULT_STATIC_FILES_PATH]
        static_paths.append(str(Path(plotly.__file__).parent / "package_data"))
        page = {"voila_configuration": self.voila_configuration, "folder": self.options.notebook_dir}
        render = {**page, "template_paths": self.template_paths, "config": self.config}
        return [
            (r"/", handlers.LandingHandler, page),
            (r"/voila/tree.*", handlers.ToLandingHandler),
            (r"/voila/render/(.*)", handlers.RenderHandler, render),
            (rf"/voila/alive/{KERNEL_ID}", handlers.AliveHandler),
            (rf"/voila/query/{KERNEL_ID}", sockets.QuerySocket),
            (rf"/voila/api/shutdown/{KERNEL_ID}", handlers.ShutdownHandler),
            (rf"/api/kernels/{KERNEL_ID}", KernelHandler),
            (rf"/api/kernels/{KERNEL_ID}/channels", sockets.KernelSocket),
            (r"/voila/templates/(.*)", handlers.TemplateFileHandler),
            (r"/voila/static/(.*)", MultiStaticFileHandler, {"paths": static_paths}),
            (r"/voila/labextensions/(.*)", FileFindHandler, {"path": self.labextensions_path}),
            *self.identity_provider.get_handlers(),
        ]

    def listen(self) -> None:
        """Listen, say where, start the kernels in order, and run until told to stop."""
        self.app.listen(self.options.port, self.options.host)
        print(f"The workbooks are at {self.options.address} - stop them with Ctrl-C.", flush=True)
        self.ioloop = IOLoop.current()
        self.ioloop.add_callback(self._ready)
        try:
            self.ioloop.start()
        except KeyboardInterrupt:
            self.log.info("stopping")
        finally:
            self.stop()

    def stop(self) -> None:
        """End every kernel at once: their readers are leaving, and what they hold is nowhere kept."""
        run_sync(self.kernel_manager.shutdown_all)(now=True)
        shutil.rmtree(self.connection_dir, ignore_errors=True)

    async def _ready(self) -> None:
        """Open the browser and preheat, both beside the answering of requests."""
        if self.options.open_browser:
            threading.Thread(target=webbrowser.open, args=(self.options.address,), daemon=True).start()
        if self.options.preheat:
            # compiled once, in a process that takes its memory with it; every kernel reads it from the disk
            await (await asyncio.create_subprocess_exec(sys.executable, "-c", bootstrap.COMPILE)).wait()
            names = [book.name for book in library.find(self.options.notebook_dir)]
            self._preheating = asyncio.ensure_future(preheat.preheat(self.kernel_manager, names))


def _is_worth_a_line(record: logging.LogRecord) -> bool:
    """Drop a line that stands for every page view: trust is a matter of editors, nothing is edited here."""
    return "is not trusted" not in record.getMessage()


def serve(options: config.Options) -> None:
    """Run the server until it is stopped.

    Parameters
    ----------
    options : config.Options
        Checked already.
    """
    config.set_environment(options)
    # The one instance: only then do the parts without a parent (the renderer) write to the same log.
    server = WorkbookServer.instance(options)
    server.initialize(argv=[])
    server.start()
