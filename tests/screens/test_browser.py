"""``busplan replay --browser`` in headless Chromium: our page, the same screens, a clean end."""

import contextlib
import io
import os
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyte
import pytest
from support.browser import Browser, missing
from support.command import busplan
from support.terminal import PRIVATE, busplan_command

from busplan.screens.look import INK, THEMES
from busplan.wording import CAUTION

ROOT = Path(__file__).parents[2]
PLAN = str(ROOT / "dbc_examples/as_built.toml")
CAPTURE = str(ROOT / "captures/drive_short.log.gz")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def server(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """``busplan replay --browser`` in a process group of its own, and its address."""
    port = free_port()
    own = {f"XDG_{kind}_HOME": str(tmp_path / kind) for kind in ("STATE", "CONFIG", "CACHE")}
    process = subprocess.Popen(
        busplan_command(
            *("replay", CAPTURE, "--plan", PLAN, "--hold", "--at", "2"),
            *("--browser", "--port", str(port)),
        ),
        env={**{k: v for k, v in os.environ.items() if k != "NO_COLOR"}, **own},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    address = f"http://127.0.0.1:{port}"
    wait(lambda: answers(address))
    yield process, address
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


def wait(until: Callable[[], object], seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not until():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.05)


def answers(address: str, **headers: str) -> int:
    """The page's status; 0 while nobody listens."""
    try:
        with urllib.request.urlopen(urllib.request.Request(address, headers=headers)) as page:
            return int(page.status)
    except urllib.error.HTTPError as refused:
        return refused.code
    except OSError:
        return 0


def screen(browser: Browser) -> str:
    """What the page has been told to draw, as the text of its terminal."""
    columns, lines = browser.run("return window.cells")
    model = pyte.Screen(columns, lines)
    received = browser.run("return window.received").encode("latin-1")
    pyte.ByteStream(model).feed(PRIVATE.sub(b"", received))
    return "\n".join(line.rstrip() for line in model.display)


def pixels(browser: Browser) -> np.ndarray:
    """The picture of the page, (rows, columns, 3) bytes."""
    import matplotlib.image

    picture = matplotlib.image.imread(io.BytesIO(browser.picture()))
    return np.round(picture[:, :, :3] * 255).astype(np.uint8)


def colours_of(browser: Browser) -> tuple[np.ndarray, np.ndarray]:
    """The colours of the picture and how many pixels each has."""
    return np.unique(pixels(browser).reshape(-1, 3), axis=0, return_counts=True)


def living(process: subprocess.Popen[str]) -> int:
    """How many processes of the server's session live."""
    count = 0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            state, _, _, session = stat.read_text().rpartition(") ")[2].split()[:4]
            count += session == str(process.pid) and state != "Z"
    return count


@pytest.mark.skipif(bool(missing()), reason=missing())
def test_the_page_shows_the_screens_follows_keys_and_ends_with_the_server(
    server: tuple[subprocess.Popen[str], str], tmp_path: Path
) -> None:
    process, address = server
    with Browser(tmp_path / "profile") as browser:
        browser.open(address)
        wait(lambda: browser.run("return window.cells") and "licensed people" in screen(browser))
        pack = screen(browser)
        assert "Magpie (invented)" in pack
        assert "HELD" in pack
        assert browser.run("return document.title") == "busplan"
        assert CAUTION in browser.run("return document.getElementById('opening').textContent")
        assert not browser.run("return document.getElementById('opening').offsetParent")
        wait(lambda: len(colours_of(browser)[0]) > 20)  # the canvas follows what has arrived
        ground = next(theme.background for theme in THEMES if theme.name == INK)
        colours, counts = colours_of(browser)
        assert "#" + bytes(colours[counts.argmax()]).hex().upper() == ground
        before = pixels(browser)
        browser.press("3")
        wait(lambda: "peak" in screen(browser))
        wait(lambda: np.any(pixels(browser) != before, axis=2).mean() > 0.01)
        outside = browser.run(
            "return performance.getEntriesByType('resource').map(r => r.name)"
            f".filter(name => !name.startsWith('{address}'))"
        )
        assert outside == []
        assert browser.console() == []
        assert living(process) >= 2
        os.killpg(process.pid, signal.SIGINT)  # as Ctrl-C in a terminal does
        wait(lambda: process.poll() is not None)
        assert process.returncode == 0
        wait(lambda: not living(process))
        wait(lambda: browser.run("return document.getElementById('closed').offsetParent"))
    out, err = process.communicate()
    assert out == ""
    # The first run after installing also says that it compiles.
    assert err.splitlines()[-1] == f"open {address} in a browser on this machine; Ctrl-C ends"


def test_a_bad_capture_is_one_error_and_no_page(tmp_path: Path) -> None:
    bad = tmp_path / "bad.log"
    bad.write_text("this is no capture\n" * 50, encoding="utf-8")
    run = busplan("replay", bad, "--plan", PLAN, "--browser", "--port", str(free_port()))
    assert run.code == 3
    assert "bad.log" in run.err


def test_other_sites_pages_are_refused(server: tuple[subprocess.Popen[str], str]) -> None:
    _, address = server
    assert answers(address) == 200
    assert answers(address, Origin=address) == 200
    assert answers(address, Origin="http://elsewhere.example") == 403
    assert answers(address, Host="elsewhere.example") == 403
    assert answers(f"{address}/ws", Origin="http://elsewhere.example") == 403
