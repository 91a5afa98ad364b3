"""A program in a pseudo-terminal, and what that terminal shows."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Sequence
from types import TracebackType

import pyte

PRIVATE = re.compile(rb"\x1b\[[<>=][0-9;]*[a-zA-Z]|\x1b\[\?[0-9;]*\$p|\x1b[PX^_].*?\x1b\\", re.S)
"""Requests to newer terminals than the screen model knows."""
KEYS = {"enter": b"\r", "escape": b"\x1b", "up": b"\x1b[A", "down": b"\x1b[B", "ctrl+c": b"\x03"}


class Terminal:
    """Runs ``command`` in a terminal of a size; ends it on leaving the ``with`` block."""

    def __init__(
        self, command: Sequence[str], columns: int, lines: int, environment: dict[str, str]
    ) -> None:
        self.screen = pyte.Screen(columns, lines)
        self._stream = pyte.ByteStream(self.screen)
        self.received = b""
        self._controller, self._terminal = pty.openpty()
        self._set_size(columns, lines)
        self.modes_before = termios.tcgetattr(self._terminal)
        self.process = subprocess.Popen(
            command,
            stdin=self._terminal,
            stdout=self._terminal,
            stderr=self._terminal,
            start_new_session=True,
            env=environment,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )

    def __enter__(self) -> Terminal:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._controller)
        os.close(self._terminal)

    @property
    def text(self) -> str:
        """What the terminal shows."""
        return "\n".join(line.rstrip() for line in self.screen.display)

    @property
    def modes(self) -> list[object]:
        """How the terminal treats keys, as ``termios`` tells it."""
        return termios.tcgetattr(self._terminal)

    def _set_size(self, columns: int, lines: int) -> None:
        fcntl.ioctl(self._terminal, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

    def resize(self, columns: int, lines: int) -> None:
        """Change the size and tell the program."""
        self.screen.resize(lines, columns)
        self._set_size(columns, lines)
        self.process.send_signal(signal.SIGWINCH)

    def press(self, *keys: str) -> None:
        """Type keys: characters, or names of ``KEYS``."""
        for key in keys:
            os.write(self._controller, KEYS.get(key) or key.encode())

    def read(self, seconds: float) -> bool:
        """Take in what the program wrote within some time; whether there was anything."""
        ready, _, _ = select.select([self._controller], [], [], seconds)
        if not ready:
            return False
        data = os.read(self._controller, 1 << 16)
        self.received += data
        self._stream.feed(PRIVATE.sub(b"", data))
        return True

    def wait_for(self, pattern: str, seconds: float = 60) -> str:
        """Wait until the terminal shows something; all that it shows then."""
        end = time.monotonic() + seconds
        while not re.search(pattern, self.text):
            if time.monotonic() > end:
                raise AssertionError(f"{pattern!r} never came; the terminal shows\n{self.text}")
            if not self.read(0.1) and self.process.poll() is not None:
                raise AssertionError(f"ended ({self.process.returncode}) showing\n{self.text}")
        return self.text

    def wait_for_end(self, seconds: float = 30) -> int:
        """Wait until the program ends; its exit code."""
        end = time.monotonic() + seconds
        while self.process.poll() is None:
            self.read(0.05)
            if time.monotonic() > end:
                raise AssertionError(f"still running, showing\n{self.text}")
        while self.read(0.05):
            pass
        return self.process.returncode


def busplan_command(*arguments: str) -> list[str]:
    """The command line of this tree's busplan."""
    return [sys.executable, "-m", "busplan", *arguments]
