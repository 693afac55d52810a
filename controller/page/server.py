"""The page's thread: its own event loop, its own sockets, and no way to hold up the bench.

A fault in it is logged and it begins again after a while. The heat loop neither waits for it nor
learns of it.
"""

import asyncio
import contextlib
import gc
import logging
import ssl
import sys
import threading
import time
from pathlib import Path
from typing import Any, Final

from tornado.httpserver import HTTPServer
from tornado.iostream import IOStream
from tornado.netutil import bind_sockets
from tornado.web import Application

from config.model import PagePlan
from controller.page.desk import Desk
from controller.page.gate import Gate, may_serve
from controller.page.handlers import Door, Nothing
from controller.page.moment import Board
from controller.page.pages import PAGES
from controller.page.papers import Papers
from controller.page.pen import Pen
from controller.page.render import Renderer
from controller.page.routes import ROUTES
from controller.page.shell import framed
from controller.page.tokens import Tokens
from controller.places import tokens_path

log = logging.getLogger(__name__)

BODY_MOST: Final = 16 * 1024
HEADER_MOST: Final = 16 * 1024
HEADER_S: Final = 10.0
"""A client has so long for its headers, and for its body; a slow one is shut out."""
CONNECTIONS_MOST: Final = 60
AGAIN_S: Final = 30.0
SWITCH_S: Final = 0.001
"""The interpreter gives a waiting thread its turn after so long; with its usual 5 ms a tick that
waits for its turn a few times, while the page is busy, would be tens of milliseconds late."""


class BoundedServer(HTTPServer):
    """An HTTP server with at most so many connections open at once; one more is closed at once."""

    open_now: set[IOStream]
    most: int

    def initialize(self, *args: Any, **kwargs: Any) -> None:
        self.most = kwargs.pop("most")
        self.open_now = set()
        super().initialize(*args, **kwargs)

    def handle_stream(self, stream: IOStream, address: Any) -> None:
        self.open_now = {one for one in self.open_now if not one.closed()}
        if len(self.open_now) >= self.most:
            stream.close()
            return
        self.open_now.add(stream)
        super().handle_stream(stream, address)


class PageServer:
    """Serves the page of one site. `start` and `stop` from any thread; neither raises.

    plan: of the bench file.  port: as really bound, 0 until then.  again_s: rest after a fault.
    """

    def __init__(
        self,
        plan: PagePlan,
        journal: Path,
        board: Board,
        desk: Desk,
        *,
        tokens: Tokens | None = None,
        any_port: bool = False,
        again_s: float = AGAIN_S,
    ) -> None:
        self.port = 0
        self.up = threading.Event()
        self._plan = plan
        self._journal = journal
        self._board = board
        self._desk = desk
        self.tokens = tokens or Tokens(tokens_path(journal))
        self._any_port = any_port
        self._again_s = again_s
        self._loop: asyncio.AbstractEventLoop | None = None
        self._end: asyncio.Event | None = None
        self._stopping = threading.Event()
        self._said = ""
        self._thread = threading.Thread(target=self._live, name="page", daemon=True)

    def start(self) -> None:
        sys.setswitchinterval(min(sys.getswitchinterval(), SWITCH_S))
        self._thread.start()

    def stop(self, wait_s: float = 3.0) -> None:
        """End the thread; what is being answered is cut off after `wait_s` real seconds."""
        self._stopping.set()
        loop, end = self._loop, self._end
        if loop is not None and end is not None:
            with contextlib.suppress(RuntimeError):  # it has just ended by itself
                loop.call_soon_threadsafe(end.set)
        if self._thread.is_alive():
            self._thread.join(wait_s)

    @property
    def address(self) -> str:
        """Where a browser on this machine, or on the network, finds it."""
        return page_address(self._plan, self.port)

    def _live(self) -> None:
        while not self._stopping.is_set():
            try:
                refusal = may_serve(self._plan, self.tokens)
                if refusal:
                    self._say(f"the page is not served: {refusal}")
                else:
                    asyncio.run(self._serve())
            except OSError as error:
                where = f"{self._plan.address} port {self._plan.port}"
                self._say(
                    f"the page can't be served on {where}: {error.strerror or error}; is another "
                    "warmfoot there? End it, or write another port under [page]"
                )
            except Exception as error:
                self._say(f"fault in the page: {type(error).__name__}", error)
            finally:
                self.up.clear()
                self._loop = self._end = None
            self._stopping.wait(self._again_s)

    def _say(self, text: str, error: Exception | None = None) -> None:
        """Once, not every time it is tried again."""
        if text != self._said:
            self._said = text
            log.error("%s; heat and mist go on without it", text, exc_info=error)

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._end = asyncio.Event()
        (socket, *others) = bind_sockets(0 if self._any_port else self._plan.port,
                                         self._plan.address)  # fmt: skip
        self.port = socket.getsockname()[1]
        gate = Gate(self._plan, self.port, self.tokens)
        renderer = Renderer(self._board, self._journal, framed)
        pen, papers = Pen(self._journal), Papers(self._journal)
        door = Door(gate, renderer, self._board, self._desk, pen, papers, PAGES, time.monotonic)
        app = Application(
            ROUTES,
            default_handler_class=Nothing,
            default_handler_args={"door": door},
            log_function=lambda _handler: None,
            door=door,
        )
        server = BoundedServer(
            app,
            ssl_options=self._tls(),
            max_header_size=HEADER_MOST,
            max_body_size=BODY_MOST,
            idle_connection_timeout=HEADER_S,
            body_timeout=HEADER_S,
            most=CONNECTIONS_MOST,
        )
        server.add_sockets([socket, *others])
        self._said = ""
        # Pages are many small objects; what the program is made of need not be walked over, with
        # every thread waiting, each time they are swept up.
        gc.freeze()
        self.up.set()
        log.info("the page is at %s", self.address)
        try:
            if self._stopping.is_set():
                return
            await self._end.wait()
        finally:
            server.stop()
            door.closing = True
            await server.close_all_connections()
            pen.close()
            papers.close()
            renderer.close()

    def _tls(self) -> ssl.SSLContext | None:
        if self._plan.cert_file is None:
            return None
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.load_cert_chain(self._plan.cert_file, self._plan.key_file)
        return context


def page_address(plan: PagePlan, port: int = 0) -> str:
    """Where a browser finds a page. port: as really bound, 0 for that of the bench file."""
    scheme = "https" if plan.cert_file else "http"
    host = plan.names[0] if plan.names else plan.address
    host = f"[{host}]" if ":" in host else host
    return f"{scheme}://{host}:{port or plan.port}/"
