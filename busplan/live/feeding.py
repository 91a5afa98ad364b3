"""Sending a node cyclically what it waits for, because the user said so and with which frames.

The rules of this file: it sends through a :class:`~busplan.live.asking.Line` only, which exists
after the explicit consent. Frames keep their distance to the first one, so that no delay adds up.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence

from busplan.errors import InterfaceError
from busplan.live.asking import Line
from busplan.live.feed_file import BLOCK, Fed


class Feeder:
    """Sends messages in a thread of its own from :meth:`begin` to :meth:`end`."""

    at_once = True
    """It begins with the test: a node may wait for it before it sends anything."""
    done = True
    """The test need not wait for it."""

    def __init__(self, line: Line, fed: Sequence[Fed]) -> None:
        self._line = line
        self._fed = fed
        self._over = threading.Event()
        self._thread: threading.Thread | None = None
        self.sent = [0] * len(fed)
        """Frames of each message that went out."""
        self.trouble = ""

    def begin(self) -> None:
        """Start sending; does nothing the second time."""
        if self._thread is None and not self._over.is_set():
            self._thread = threading.Thread(target=self._run, daemon=True)
            self._thread.start()

    def end(self) -> None:
        """Send nothing more, and wait until that is so."""
        self._over.set()
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        begin = time.monotonic_ns()
        blocks: list[list[bytes]] = [[] for _ in self._fed]
        while not self._over.is_set():
            due = [n * f.every_ns for n, f in zip(self.sent, self._fed, strict=True)]
            place = min(range(len(due)), key=due.__getitem__)
            left_ns = due[place] - (time.monotonic_ns() - begin)
            if left_ns > 0 and self._over.wait(left_ns / 1e9):
                return
            one, number = self._fed[place], self.sent[place]
            if number % BLOCK == 0:
                blocks[place] = one.payloads(number, BLOCK)
            try:
                self._line.send(
                    one.message.identifier,
                    one.message.extended,
                    blocks[place][number % BLOCK],
                    f"{one.message.name}, every {one.every_ns / 1e6:g} ms",
                    note=number == 0,
                    fd=one.message.fd,
                    switch=one.message.bit_rate_switch,
                )
            except InterfaceError as error:
                self.trouble = str(error)
                return
            self.sent[place] += 1
