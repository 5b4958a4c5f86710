"""The two websockets: a page with its kernel, and a waiting kernel with its reader's query string."""

from __future__ import annotations

from jupyter_server.auth.decorator import ws_authenticated
from tornado import web
from voila.request_info_handler import RequestInfoSocketHandler
from voila.tornado.kernel_websocket_handler import VoilaKernelWebsocketHandler

from workbooks.serve.memory_guard import PROTOCOL, MalformedFrame, check_frame

POLICY_VIOLATION = 1008


class KernelSocket(VoilaKernelWebsocketHandler):
    """A page's connection to its kernel, which accepts only well-formed frames of one protocol.

    The legacy protocol is refused: Voila reads its binary frames with the wrong parser, which then allocates without
    bound, and shows its readers the source of the cells.
    """

    @ws_authenticated
    async def get(self, kernel_id: str) -> None:
        """Open the connection, or answer 400 to a client without the sub-protocol and 404 without a kernel."""
        offered = [name.strip() for name in self.request.headers.get("Sec-WebSocket-Protocol", "").split(",")]
        if PROTOCOL not in offered:
            raise web.HTTPError(400, f"the sub-protocol {PROTOCOL} is required")
        if kernel_id not in self.kernel_manager:
            raise web.HTTPError(404)
        await super().get(kernel_id=kernel_id)

    @property
    def ping_timeout(self) -> float:
        """Milliseconds without an answer after which the connection counts as lost.

        The answer to one ping is looked for when the next goes out, so a timeout of one interval closes healthy pages now and
        then. tornado reads the same property at opening, as seconds, and allows no more than the interval.
        """
        return self.ping_interval * (1 if self.ws_connection is None else 3)

    def on_message(self, ws_message: bytes | str) -> None:
        """Check a frame before any parser sees it; close this one connection if it is malformed."""
        if self.ws_connection is None:  # it closed while this frame was on its way
            return
        try:
            check_frame(ws_message)
            super().on_message(ws_message)
        except MalformedFrame as reason:
            self.log.warning("closing a connection that sent %s", reason)
            self.close(POLICY_VIOLATION, "malformed frame")
        except Exception as error:
            self.log.warning("closing a connection whose frame could not be read: %r", error)
            self.close(POLICY_VIOLATION, "unreadable frame")

    def write_message(self, message, binary: bool = False):
        """Check what the kernel sends as well: the parser on this side is as trusting."""
        if isinstance(message, bytes):
            try:
                check_frame(message)
            except MalformedFrame as reason:
                self.log.warning("dropping a frame from the kernel with %s", reason)
                return None
        return super().write_message(message, binary)


class QuerySocket(RequestInfoSocketHandler):
    """Gives a preheated kernel its reader's query string, and nobody else."""

    def open(self, kernel_id: str) -> None:
        """Register the first caller for a kernel that exists; turn others away."""
        known = kernel_id in self.settings["kernel_manager"]
        if not known or kernel_id in RequestInfoSocketHandler._waiters:
            self.close(POLICY_VIOLATION, "no such kernel waits")
            return
        super().open(kernel_id)

    def on_close(self) -> None:
        """Forget this caller only."""
        waiters = RequestInfoSocketHandler._waiters
        for kernel_id in [name for name, waiter in waiters.items() if waiter is self]:
            del waiters[kernel_id]
            RequestInfoSocketHandler._cache.pop(kernel_id, None)
