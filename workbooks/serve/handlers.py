"""What a visitor can ask for: the landing page, a workbook, whether its kernel lives. Nothing else."""

from __future__ import annotations

from jupyter_server.base.handlers import JupyterHandler
from tornado import web
from tornado.iostream import StreamClosedError
from voila.handler import BaseVoilaHandler
from voila.shutdown_kernel_handler import VoilaShutdownKernelHandler
from voila.static_file_handler import TemplateStaticFileHandler
from voila.tornado.handler import TornadoVoilaHandler

from workbooks.serve import config, library, preheat

#: Ends a page whose kernel could not be started or died while the page was being written.
BROKEN_PAGE = "<script>window.nwNotice && window.nwNotice('broken')</script></body></html>"


class LandingHandler(BaseVoilaHandler):
    """The first page: what this is, the workbooks as questions, the cautions."""

    def initialize(self, folder, **kwargs) -> None:
        """Keep the folder with the workbooks."""
        super().initialize(**kwargs)
        self.folder = folder

    @web.authenticated
    def get(self) -> None:
        """Write the page."""
        self.set_header("Cache-Control", "no-cache")
        books = library.find(self.folder)
        page = self.render_template("landing.html", books=books, query=config.DEFAULT_QUERY, version=config.version())
        self.write(page)


class RenderHandler(TornadoVoilaHandler):
    """One workbook, run for one reader."""

    def initialize(self, folder, **kwargs) -> None:
        """Keep the folder with the workbooks."""
        super().initialize(**kwargs)
        self.folder = folder

    @web.authenticated
    async def get(self, path: str = "") -> None:
        """Write the page as far as it has got, piece by piece.

        Parameters
        ----------
        path : str
            File name of a workbook. An address without a query is sent on to one with the default query: under
            preheating a page without one is an error page.
        """
        if not library.is_workbook(self.folder, path):
            raise web.HTTPError(404)
        if not self.request.query:
            self.redirect(f"{self.request.path}?{config.DEFAULT_QUERY}")
            return
        if len(self.request.query) > config.MAX_QUERY_BYTES:
            raise web.HTTPError(414)
        # Reading the property sets the cookie without which the closing page may not stop its kernel.
        _ = self.xsrf_token
        await preheat.discard_dead(self.kernel_manager, path)
        await self._write_page(path)

    async def _write_page(self, path: str) -> None:
        """Pass the pieces on; end a page that breaks off with a notice instead of silence."""
        try:
            async for piece in self.get_generator(path=path):
                self.write(piece)
                await self.flush()
        except StreamClosedError:
            self.log.info("the reader of %s left before the page was complete", path)
        except Exception:
            if not self._headers_written:
                raise
            self.log.exception("%s broke off", path)
            self.write(BROKEN_PAGE)


class AliveHandler(JupyterHandler):
    """Tells a page whether its kernel still runs; every page asks every few seconds."""

    @web.authenticated
    async def get(self, kernel_id: str) -> None:
        """Write `{"alive": true}` or false."""
        self.set_header("Cache-Control", "no-store")
        self.write({"alive": await preheat.is_alive(self.kernel_manager, kernel_id)})


class ShutdownHandler(VoilaShutdownKernelHandler):
    """Stops the kernel of a page that is being closed."""

    @web.authenticated
    async def post(self, kernel_id: str) -> None:
        """Stop it; a kernel that is gone already is no error."""
        if kernel_id not in self.kernel_manager:
            raise web.HTTPError(404)
        await super().post(kernel_id)


class TemplateFileHandler(TemplateStaticFileHandler):
    """Serves the `static` folders of the templates; an address of any other form does not exist."""

    def parse_url_path(self, path: str) -> str:
        """Refuse what the parent would stumble over."""
        parts = path.split("/")
        if len(parts) < 3 or parts[1] != "static" or ".." in parts:
            raise web.HTTPError(404)
        try:
            return super().parse_url_path(path)
        except ValueError:
            raise web.HTTPError(404) from None


class ToLandingHandler(JupyterHandler):
    """An old address of the landing page."""

    @web.authenticated
    def get(self, *_: str) -> None:
        """Send the reader there."""
        self.redirect(self.base_url)


class NotFoundHandler(JupyterHandler):
    """Every address that is not in the list."""

    def prepare(self) -> None:
        """Refuse before anything is looked at."""
        self.current_user = self._jupyter_current_user = None
        raise web.HTTPError(404)
