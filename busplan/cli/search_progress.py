"""How far a search is, in one line of the terminal that is written again and again."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

from busplan.wording import percent

_WIDE = 79


class SearchProgress:
    """On stderr, on a terminal only; silent once the search is to stop.

    ``seconds``: how long it may take.
    """

    def __init__(self, seconds: float, stop: Callable[[], bool]) -> None:
        self._seconds, self._stop = seconds, stop
        self._begun = self._shown = time.monotonic()
        self._known, self._written = "", 0

    def preparing(self, what: str) -> None:
        """The search has not begun yet."""
        self._tell(f"preparing {what}")

    def told(self, best: float | None, bound: float, doing: str) -> None:
        """The cost of the best so far and the bound are known anew."""
        have = "none yet" if best is None else f"{best:.2f}"
        self._tell(f"{doing}: best {have}, bound {bound:.2f}{_gap(best, bound)}")

    def counted(self, network: str, best: int | None, bound: int) -> None:
        """So many identifiers of a network change in the best answer, and in any at least."""
        have = "none yet" if best is None else str(best)
        self._tell(f"{network}: best {have}, at least {bound}{_gap(best, bound)}")

    def tick(self) -> None:
        """Time goes on."""
        if self._known and time.monotonic() - self._shown >= 1:
            self._show()

    def _tell(self, known: str) -> None:
        self._known = known
        self._show()

    def _show(self) -> None:
        if not sys.stderr.isatty() or self._stop():
            return
        self._shown = time.monotonic()
        line = f"{self._known} ({self._shown - self._begun:.0f} of {self._seconds:g} s)"
        sys.stderr.write("\r" + line.ljust(self._written)[:_WIDE])
        sys.stderr.flush()
        self._written = len(line)

    def clear(self) -> None:
        """Leave an empty line for what follows."""
        if self._written:
            sys.stderr.write("\r" + " " * min(self._written, _WIDE) + "\r")
            sys.stderr.flush()
            self._written = 0


def _gap(best: float | None, bound: float) -> str:
    return f", gap {percent(max(0.0, best - bound) / best)}" if best else ""
