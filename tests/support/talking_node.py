"""A node on a virtual bus that sends its own messages and answers by a table."""

from __future__ import annotations

import threading
import time

import can


class TalkingNode(threading.Thread):
    """Sends ``cyclic`` (period [s], message) and answers what :meth:`says` tells."""

    def __init__(self, channel: str, cyclic: tuple[tuple[float, can.Message], ...] = ()) -> None:
        super().__init__(daemon=True)
        self._bus = can.Bus(interface="virtual", channel=channel)
        self._answers: dict[tuple[int, bytes], list[tuple[int, bytes]]] = {}
        self._cyclic = cyclic
        self._done = threading.Event()
        self.start()

    def says(self, asked: int, data: str, identifier: int, *answers: str) -> None:
        """To a frame with these bytes it answers under ``identifier``, in this order."""
        frames = [(identifier, bytes.fromhex(a)) for a in answers]
        self._answers[asked, bytes.fromhex(data)] = frames

    def run(self) -> None:
        due = [time.monotonic()] * len(self._cyclic)
        while not self._done.is_set():
            message = self._bus.recv(0.002 if self._cyclic else 0.02)
            if message is not None:
                for identifier, data in self._answers.get(
                    (message.arbitration_id, bytes(message.data)), ()
                ):
                    self._send(identifier, message.is_extended_id, data)
            for place, (period, frame) in enumerate(self._cyclic):
                if time.monotonic() >= due[place]:
                    due[place] += period
                    self._bus.send(frame)

    def _send(self, identifier: int, extended: bool, data: bytes) -> None:
        self._bus.send(can.Message(arbitration_id=identifier, is_extended_id=extended, data=data))

    def end(self) -> None:
        """Stop and leave the bus."""
        self._done.set()
        self.join(2)
        self._bus.shutdown()
