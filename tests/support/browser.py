"""A headless Chromium, driven through ChromeDriver's HTTP interface (W3C WebDriver)."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
import urllib.request
from pathlib import Path
from types import TracebackType
from typing import Any

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--window-size=1280,720",
)
KEEP_WHAT_ARRIVES = """
window.received = "";
window.cells = null;
window.WebSocket = class extends WebSocket {
  constructor(...address) {
    super(...address);
    this.addEventListener("message", (event) => {
      if (typeof event.data === "string") return;
      for (const byte of new Uint8Array(event.data)) window.received += String.fromCharCode(byte);
    });
  }
  send(text) {
    const [kind, what] = JSON.parse(text);
    if (kind === "resize") window.cells = [what.width, what.height];
    super.send(text);
  }
};
"""
"""The page draws on a canvas, which holds no text: keep what it is told to draw."""


def missing() -> str:
    """What of the browser this machine lacks; empty when all is there."""
    lacking = [name for name in ("chromium", "chromedriver") if not shutil.which(name)]
    return f"{' and '.join(lacking)} not installed" if lacking else ""


class Browser:
    """One browser window with a fresh profile in ``folder``."""

    def __init__(self, folder: Path) -> None:
        self._driver = subprocess.Popen(
            ["chromedriver", "--port=0"], stdout=subprocess.PIPE, text=True
        )
        assert self._driver.stdout
        for line in self._driver.stdout:
            if found := re.search(r"started successfully on port (\d+)", line):
                break
        else:
            raise RuntimeError("chromedriver did not start")
        self._at = f"http://127.0.0.1:{found[1]}/session"
        options = {
            "binary": shutil.which("chromium"),
            "args": [*FLAGS, f"--user-data-dir={folder}"],
        }
        wanted = {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
        session = self._call("", {"capabilities": {"alwaysMatch": wanted}})
        self._at += f"/{session['sessionId']}"
        source = {"source": KEEP_WHAT_ARRIVES}
        self._call(
            "/goog/cdp/execute", {"cmd": "Page.addScriptToEvaluateOnNewDocument", "params": source}
        )

    def __enter__(self) -> Browser:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._call("", None, "DELETE")
        self._driver.terminate()
        self._driver.wait()
        assert self._driver.stdout
        self._driver.stdout.close()

    def _call(self, path: str, body: dict[str, Any] | None = None, method: str = "POST") -> Any:
        data = None if method == "GET" else json.dumps(body or {}).encode()
        request = urllib.request.Request(self._at + path, data, method=method)
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.load(answer)["value"]

    def open(self, address: str) -> None:
        """Go to a page."""
        self._call("/url", {"url": address})

    def run(self, script: str) -> Any:
        """Run a script in the page; what it returns."""
        return self._call("/execute/sync", {"script": script, "args": []})

    def press(self, *keys: str) -> None:
        """Type characters."""
        actions = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        self._call("/actions", {"actions": [{"type": "key", "id": "keys", "actions": actions}]})

    def console(self) -> list[str]:
        """The errors that the page's console told since the last look."""
        entries = self._call("/se/log", {"type": "browser"})
        return [e["message"] for e in entries if e["level"] == "SEVERE"]

    def picture(self) -> bytes:
        """The window as PNG."""
        return base64.b64decode(self._call("/screenshot", method="GET"))
