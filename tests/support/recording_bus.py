"""A python-can bus that brings fixed frames and remembers everything anyone sends on it."""

from __future__ import annotations

import time
from typing import Any, ClassVar

import can

KIND = "remembering"


class RememberingBus(can.BusABC):
    """Frames in ``incoming`` arrive in turn, again and again; ``sent`` holds what was sent."""

    sent: ClassVar[list[can.Message]] = []
    opened: ClassVar[int] = 0
    options: ClassVar[dict[str, Any]] = {}
    """What the last one was opened with."""
    incoming: ClassVar[list[can.Message]] = []

    def __init__(self, channel: str, **options: Any) -> None:
        type(self).opened += 1
        type(self).options = {k: v for k, v in options.items() if k == "quiet"}
        self._next = 0
        self.channel_info = channel
        super().__init__(channel, **options)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        type(self).sent.append(msg)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        time.sleep(0.005)
        if not self.incoming:
            return None, False
        message = self.incoming[self._next % len(self.incoming)]
        self._next += 1
        message.timestamp = time.time()
        return message, False

    def shutdown(self) -> None:
        self._is_shutdown = True


def install() -> None:
    """Make the bus known to python-can under :data:`KIND`, with nothing remembered."""
    from can.interfaces import BACKENDS

    BACKENDS[KIND] = (__name__, RememberingBus.__name__)
    can.VALID_INTERFACES = frozenset({*can.VALID_INTERFACES, KIND})  # type: ignore[misc]
    RememberingBus.sent.clear()
    RememberingBus.incoming.clear()
    RememberingBus.opened = 0
