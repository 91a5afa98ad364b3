"""The same screens in a browser on this machine."""

from __future__ import annotations

import asyncio
import logging
import os
import shlex
import socket
import subprocess
import sys
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from aiohttp import web
from textual_serve.server import Server

from busplan.errors import UsageError
from busplan.screens.page_program import LONGEST_MESSAGE, Program, bounded_size, relay

HOST = "127.0.0.1"
"""Loopback only: whoever reaches the port can use the screens, there is no login."""
OURS = frozenset({HOST, "localhost", "::1"})
MOST_PAGES = 8
"""Pages open at once: each is a program of a hundred megabytes and more."""
PAGE = Path(__file__).parent / "page"


def served_command(arguments: Sequence[str], *, windows: bool = os.name == "nt") -> str:
    """The command line that runs the screens for one browser page, as this system's shell reads it.

    The library takes one text and gives it to the shell: quotes are those of ``cmd`` on Windows,
    where a path may hold ``&`` and brackets, else those of POSIX.
    """
    rest: list[str] = []
    skip = False
    for argument in arguments:
        if skip:
            skip = False
        elif argument == "--port":
            skip = True
        elif argument != "--browser" and not argument.startswith("--port="):
            rest.append(argument)
    words = [sys.executable, "-m", "busplan", *rest]
    return " ".join(map(_in_cmd, words)) if windows else shlex.join(words)


def _in_cmd(word: str) -> str:
    quoted = subprocess.list2cmdline([word])
    plain = quoted == word and not set(word) & set("&|<>()^,;=")
    return word if plain else quoted if quoted.startswith('"') else f'"{quoted}"'


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
        if len(self._pages) >= MOST_PAGES:
            raise web.HTTPServiceUnavailable(text=f"{MOST_PAGES} pages are open already; close one")
        task = asyncio.current_task()
        assert task is not None
        self._pages.add(task)
        try:
            return await self._run_page(request)
        finally:
            self._pages.discard(task)

    async def _run_page(self, request: web.Request) -> web.WebSocketResponse:
        page = web.WebSocketResponse(heartbeat=15, max_msg_size=LONGEST_MESSAGE)
        await page.prepare(request)

        async def close() -> None:
            await page.close()

        program = Program(
            self.command,
            write_bytes=page.send_bytes,
            write_str=page.send_str,
            close=close,
            download_manager=self.download_manager,
        )
        try:
            asked = request.query
            await program.start(*bounded_size(asked.get("width", "80"), asked.get("height", "24")))
            await relay(page, program)
        except asyncio.CancelledError:
            await page.close()
        except OSError as error:
            logging.warning("a page's program cannot be run: %s", error)
        finally:
            await program.stop()
        return page

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
    try:
        named = urlsplit(f"//{request.host}").hostname
        ours = named in OURS and (not origin or urlsplit(origin).netloc == request.host)
    except ValueError:  # an address nobody can have
        ours = False
    if not ours:
        raise web.HTTPForbidden(text="busplan serves pages of this machine only")
    return await handler(request)
