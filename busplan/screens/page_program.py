"""The program behind one browser page: its size bounded, and gone when the page is."""

from __future__ import annotations

import asyncio
import contextlib
import shlex
from asyncio.subprocess import PIPE, Process
from typing import Any

from aiohttp import WSMsgType, web
from textual_serve.app_service import AppService

LEAST, MOST = (20, 5), (500, 200)
"""Columns and rows that a page can ask for; a large screen has half of the most."""
PATIENCE_S = 5.0
"""How long a program may take to notice what it is told [s]; it is ended then."""
LONGEST_MESSAGE = 1 << 18
"""Bytes of a message from a page: keys and pasted text."""


def bounded_size(columns: Any, rows: Any) -> tuple[int, int]:
    """The nearest size of a screen that can be; the usual one for what is no size."""
    given = []
    for value, usual, least, most in zip((columns, rows), (80, 24), LEAST, MOST, strict=True):
        try:
            number = int(value)
        except (TypeError, ValueError, OverflowError):
            number = usual
        given.append(min(max(number, least), most))
    return given[0], given[1]


class Program(AppService):
    """The library's program of a page, started without a shell so that it can be ended."""

    async def _open_app_process(self, width: int = 80, height: int = 24) -> Process:
        self._process = process = await asyncio.create_subprocess_exec(
            *shlex.split(self.command),
            stdin=PIPE,
            stdout=PIPE,
            stderr=PIPE,
            env=self._build_environment(width=width, height=height),
        )
        self._stdin = process.stdin
        return process

    async def stop(self) -> None:
        """Tell the program to end, and end it when it does not."""
        process = self._process
        try:
            async with asyncio.timeout(PATIENCE_S):
                await super().stop()
                if process is not None:
                    await process.wait()
        except TimeoutError:
            pass
        finally:
            if process is not None and process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()


async def relay(page: web.WebSocketResponse, program: Program) -> None:
    """Hand on what a page sends until it closes or its program takes nothing any more."""
    async for message in page:
        if message.type != WSMsgType.TEXT:
            continue
        try:
            kind, *data = message.json()
        except (ValueError, TypeError):
            continue
        try:
            async with asyncio.timeout(PATIENCE_S):
                await _hand_on(page, program, kind, data[0] if data else None)
        except TimeoutError:
            return


async def _hand_on(page: web.WebSocketResponse, program: Program, kind: object, data: Any) -> None:
    if kind == "stdin" and isinstance(data, str):
        await program.send_bytes(data.encode("utf-8", "replace"))
    elif kind == "resize" and isinstance(data, dict):
        await program.set_terminal_size(*bounded_size(data.get("width"), data.get("height")))
    elif kind == "ping":
        await page.send_json(["pong", data])
    elif kind == "blur":
        await program.blur()
    elif kind == "focus":
        await program.focus()
