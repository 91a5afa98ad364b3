"""The same screens in a browser on this machine."""

from __future__ import annotations

import asyncio
import logging
import shlex
import socket
import sys
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from aiohttp import web
from textual_serve.server import Server

from busplan.errors import UsageError

HOST = "127.0.0.1"
"""Loopback only: whoever reaches the port can use the screens, there is no login."""
OURS = frozenset({HOST, "localhost", "::1"})
PAGE = Path(__file__).parent / "page"


def served_command(arguments: Sequence[str]) -> str:
    """The command line that runs the screens for one browser page."""
    rest: list[str] = []
    skip = False
    for argument in arguments:
        if skip:
            skip = False
        elif argument == "--port":
            skip = True
        elif argument != "--browser" and not argument.startswith("--port="):
            rest.append(argument)
    return shlex.join([sys.executable, "-m", "busplan", *rest])


def serve(arguments: Sequence[str], port: int) -> None:
    """Serve ``busplan`` with these arguments until interrupted; each page is a run of its own."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise UsageError(f"port {port} is taken ({error.strerror}); choose --port") from error
    print(f"open http://{HOST}:{port} in a browser on this machine; Ctrl-C ends", file=sys.stderr)  # noqa: T201
    PageServer(served_command(arguments), port).serve()


class PageServer(Server):
    """The library's server with our own page, for pages of this machine only."""

    def __init__(self, command: str, port: int) -> None:
        super().__init__(command, host=HOST, port=port, title="busplan", templates_path=PAGE)
        self._pages: set[asyncio.Task[Any]] = set()

    def initialize_logging(self) -> None:
        """Tell what goes wrong on stderr and nothing else."""
        logging.basicConfig(level=logging.WARNING, format="%(message)s")

    async def on_startup(self, app: web.Application) -> None:
        """Nothing to announce: :func:`serve` has told the address."""

    async def on_shutdown(self, app: web.Application) -> None:
        """Close the open pages, so that their programs end at once."""
        for page in self._pages:
            page.cancel()
        await asyncio.gather(*self._pages, return_exceptions=True)

    async def handle_websocket(self, request: web.Request) -> web.WebSocketResponse:
        """One page's program, for as long as the page is open."""
        page = asyncio.current_task()
        assert page is not None
        self._pages.add(page)
        try:
            return await super().handle_websocket(request)
        finally:
            self._pages.discard(page)

    async def _make_app(self) -> web.Application:
        app = await super()._make_app()
        app.middlewares.append(only_this_machine)
        return app


@web.middleware
async def only_this_machine(
    request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
) -> web.StreamResponse:
    """Refuse what another site's page asks for, also under a name that leads here."""
    origin = request.headers.get("Origin")
    named = urlsplit(f"//{request.host}").hostname
    if named not in OURS or (origin and urlsplit(origin).netloc != request.host):
        raise web.HTTPForbidden(text="busplan serves pages of this machine only")
    return await handler(request)
