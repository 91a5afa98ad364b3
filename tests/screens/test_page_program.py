"""Pages of the browser screens: sizes and numbers bounded, programs that end with their page."""

import asyncio
import json
import os
import shlex
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from aiohttp import ClientSession, ClientWebSocketResponse, WSServerHandshakeError
from aiohttp.test_utils import TestClient, TestServer

from busplan.screens import browser, page_program
from busplan.screens.browser import PageServer
from busplan.screens.page_program import LEAST, MOST, bounded_size

PROGRAM = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.SIG_IGN)
def say(text):
    data = text.encode()
    sys.stdout.buffer.write(b"D" + len(data).to_bytes(4, "big") + data)
    sys.stdout.buffer.flush()
sys.stdout.buffer.write(b"__GANGLION__\\n")
say(f"{os.getpid()} {os.environ['COLUMNS']} {os.environ['ROWS']}")
while True:  # deaf to all, also to being told to end
    kind = sys.stdin.buffer.read(1)
    if kind:
        size = int.from_bytes(sys.stdin.buffer.read(4), "big")
        say(sys.stdin.buffer.read(size).decode())
    else:
        signal.pause()
"""
"""Speaks as the screens do under the server: tells its number and size, then all it is sent."""


@asynccontextmanager
async def served(tmp_path: Path) -> AsyncIterator[TestClient]:
    script = tmp_path / "program.py"
    script.write_text(PROGRAM)
    server = PageServer(shlex.join([sys.executable, str(script)]), 0)
    async with TestClient(TestServer(await server._make_app())) as client:
        yield client


async def heard(page: ClientWebSocketResponse) -> str:
    return (await page.receive_bytes(timeout=20)).decode()


def lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return Path(f"/proc/{process}/stat").read_text().rpartition(") ")[2][0] != "Z"


async def test_a_program_gets_a_size_that_can_be_and_ends_with_its_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_program, "PATIENCE_S", 0.5)
    async with served(tmp_path) as client:
        page = await client.ws_connect("/ws?width=99999&height=99999")
        process, *size = map(int, (await heard(page)).split())
        assert tuple(size) == MOST
        for odd in ("nonsense", "[]", "{}", "7", '["stdin", 5]', '["resize", 3]', "[[]]"):
            await page.send_str(odd)
        await page.send_json(["resize", {"width": 10**9, "height": -5}])
        told = json.loads(await heard(page))
        assert told == {"type": "resize", "width": MOST[0], "height": LEAST[1]}
        assert lives(process)
        await page.close()
        async with asyncio.timeout(20):
            while lives(process):
                await asyncio.sleep(0.05)


async def test_only_so_many_pages_are_open_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(browser, "MOST_PAGES", 2)
    monkeypatch.setattr(page_program, "PATIENCE_S", 0.2)
    async with served(tmp_path) as client:
        pages = [await client.ws_connect("/ws") for _ in range(2)]
        for page in pages:
            await heard(page)
        with pytest.raises(WSServerHandshakeError) as refused:
            await client.ws_connect("/ws")
        assert refused.value.status == 503
        await pages[0].close()
        async with asyncio.timeout(20):
            while True:
                try:
                    await heard(await client.ws_connect("/ws"))
                    break
                except WSServerHandshakeError:
                    await asyncio.sleep(0.05)


@pytest.mark.parametrize(
    "named",
    [
        {"Host": "[::1"},
        {"Host": "[v9.x"},
        {"Host": ""},
        {"Origin": "http://[::1"},
        {"Origin": "http://["},
        {"Host": "127.0.0.1@elsewhere.example"},
    ],
)
async def test_addresses_nobody_can_have_are_refused(tmp_path: Path, named: dict[str, str]) -> None:
    async with served(tmp_path) as client:
        for place in ("/", "/ws"):
            async with ClientSession() as session:
                answer = await session.get(client.make_url(place), headers=named)
                assert answer.status in (400, 403)


def test_sizes() -> None:
    assert bounded_size("120", "40") == (120, 40)
    assert bounded_size("1", 0) == LEAST
    assert bounded_size(None, "x") == (80, 24)
    assert bounded_size(float("inf"), [3]) == (80, 24)
