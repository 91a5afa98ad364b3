"""busplan in a pseudo-terminal, with the time at which each change arrived in its output.

What the terminal shows is kept as plain text: moves and characters are followed, colours are not.
A thread stamps what arrives before anything else is done with it, so that following the screen
costs the measurement nothing.
"""

from __future__ import annotations

import fcntl
import os
import pty
import queue
import re
import struct
import subprocess
import sys
import termios
import threading
import time
from codecs import getincrementaldecoder
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

_TOKEN = re.compile(
    r"\x1b\[(?P<numbers>[0-9;:?<>=]*)[ $]?(?P<final>[@-~])"
    r"|\x1b[\]P_^X].*?(?:\x07|\x1b\\)|\x1b[^\[\]P_^X]|(?P<control>[\x00-\x1a\x1c-\x1f])"
    r"|(?P<text>[^\x00-\x1f]+)",
    re.S,
)


class Grid:
    """The characters of a terminal."""

    def __init__(self, columns: int, lines: int) -> None:
        self.columns, self.lines = columns, lines
        self.rows = [[" "] * columns for _ in range(lines)]
        self._x = self._y = 0
        self._rest = ""
        self._decoder = getincrementaldecoder("utf-8")()

    def feed(self, data: bytes) -> None:
        """Follow what a program wrote."""
        stream = self._rest + self._decoder.decode(data)
        at = 0
        while at < len(stream):
            token = _TOKEN.match(stream, at)
            if token is None:
                break
            at = token.end()
            if (piece := token["text"]) is not None:
                row = self.rows[self._y]
                piece = piece[: max(self.columns - self._x, 0)]
                row[self._x : self._x + len(piece)] = piece
                self._x += len(piece)
            elif token["control"] == "\r":
                self._x = 0
            elif token["control"] == "\n":
                self._y = min(self._y + 1, self.lines - 1)
            elif token["final"] == "H":
                y, _, x = token["numbers"].partition(";")
                self._y = min(int(y or 1), self.lines) - 1
                self._x = min(int(x or 1), self.columns) - 1
            elif token["final"] == "J":
                self.rows = [[" "] * self.columns for _ in range(self.lines)]
        self._rest = stream[at:]

    @property
    def text(self) -> str:
        """All lines."""
        return "\n".join("".join(row) for row in self.rows)


class WatchedTerminal:
    """Runs a command in a terminal of a size; use as a context manager."""

    def __init__(
        self, command: Sequence[str], size: tuple[int, int], environment: Mapping[str, str]
    ) -> None:
        self.grid = Grid(*size)
        self.bytes = 0
        self._controller, terminal = pty.openpty()
        fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        self.begin = time.perf_counter()
        self.process = subprocess.Popen(
            command,
            stdin=terminal,
            stdout=terminal,
            stderr=terminal,
            start_new_session=True,
            env=dict(environment),
        )
        os.close(terminal)
        self._arrived: queue.SimpleQueue[tuple[float, bytes]] = queue.SimpleQueue()
        self._reader = threading.Thread(target=self._collect, daemon=True)
        self._reader.start()

    def __enter__(self) -> WatchedTerminal:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self._reader.join(1)
        os.close(self._controller)

    def _collect(self) -> None:
        while True:
            try:
                data = os.read(self._controller, 1 << 16)
            except OSError:
                return
            if not data:
                return
            self._arrived.put((time.perf_counter(), data))

    def write(self, keys: str) -> float:
        """Type; the moment just before."""
        now = time.perf_counter()
        os.write(self._controller, keys.encode())
        return now

    def follow(self, seconds: float) -> None:
        """Take in what arrives for a while."""
        end = time.perf_counter() + seconds
        while (left := end - time.perf_counter()) > 0:
            self._take(left)

    def _take(self, seconds: float) -> float | None:
        try:
            at, data = self._arrived.get(timeout=max(seconds, 0.0))
        except queue.Empty:
            return None
        self.bytes += len(data)
        self.grid.feed(data)
        return at

    def wait(self, shown: Callable[[str], bool], seconds: float = 60.0) -> float | None:
        """The moment at which the change arrived that made ``shown`` true, ``None`` if never."""
        end = time.perf_counter() + seconds
        while (left := end - time.perf_counter()) > 0:
            at = self._take(left)
            if at is not None and shown(self.grid.text):
                return at
            if at is None and self.process.poll() is not None:
                break
        return None

    def wait_for(self, pattern: str, seconds: float = 60.0) -> float:
        """The moment at which a pattern was first shown; ends the benchmark when it never is."""
        found = re.compile(pattern)
        if found.search(self.grid.text):
            return time.perf_counter()
        at = self.wait(lambda text: found.search(text) is not None, seconds)
        if at is None:
            sys.exit(f"{pattern!r} was not shown within {seconds} s:\n{self.grid.text}")
        return at

    def cpu(self) -> float:
        """Processor time of the program so far [s], all threads."""
        # The id of a process's own clock, as clock_getcpuclockid(3) makes it on Linux.
        return time.clock_gettime((~self.process.pid << 3) | 2)

    def memory(self) -> dict[str, float]:
        """Resident memory now, its anonymous part, and its peak [GB]."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        names = {"VmRSS": "now", "RssAnon": "anonymous", "VmHWM": "peak"}
        found = re.findall(r"^(\w+):\s+(\d+) kB", status, re.M)
        return {names[n]: int(kb) / 1e6 for n, kb in found if n in names}
