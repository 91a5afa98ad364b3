"""Long work beside the screens: on a thread that is never waited for, telling what it does."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from textual.app import App


class _LeftError(Exception):
    """The user has left the screens; never leaves this module."""


class Beside:
    """Runs ``work`` once, with itself as the argument.

    ``doing`` says what is being worked out, empty when nothing is; a failure stays there in words.
    """

    def __init__(self, app: App[Any], work: Callable[[Beside], None]) -> None:
        self.doing = ""
        self._app = app
        self._work = work
        self._left = threading.Event()
        # A daemon: whoever quits does not wait for what nobody will see.
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    @property
    def begun(self) -> bool:
        """Whether it has been started."""
        return self._thread.ident is not None

    @property
    def running(self) -> bool:
        """Whether it has not ended yet."""
        return self._thread.is_alive()

    @property
    def done(self) -> bool:
        """Whether it has begun and ended."""
        return self._thread.ident is not None and not self.running

    def leave(self) -> None:
        """End it the next time it tells or hands over something."""
        self._left.set()

    def tell(self, doing: str) -> None:
        """Say what is being worked out; called by the work."""
        if self._left.is_set():
            raise _LeftError
        self.doing = doing

    def hand(self, take: Callable[..., object], *what: object) -> None:
        """Hand over a result to the screens' own thread; called by the work."""
        self.tell(self.doing)
        try:
            self._app.call_from_thread(take, *what)
        except RuntimeError as error:  # the application has ended meanwhile
            if self._left.is_set() or not self._app.is_running:
                raise _LeftError from error
            raise

    def _run(self) -> None:
        try:
            self._work(self)
        except _LeftError:
            return
        except Exception as error:  # told in the line of time; the screens go on without it
            self.doing = f"not worked out: {error}"
            return
        self.doing = ""
