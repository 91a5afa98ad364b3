"""Who works on what: so that two runs share the work instead of doing it twice.

A run keeps a sign of life in ``leases/run-ID`` and takes a capture by writing ``leases/KEY``, which
only one can. A lease whose run shows no sign of life is taken over. It is courtesy only: should two
runs work on one capture all the same, the commit still takes one row of it.

Ages are told by the place's own clock: a run's sign of life against this run's.
"""

from __future__ import annotations

import json
import os
import socket
from typing import Any
from uuid import uuid4

from busplan.fleet.place import Place

STALE_NS = 60_000_000_000
"""A sign of life that is so much older than ours means that its run is gone."""
BEAT_S = 5.0
"""Between two signs of life."""


class Leases:
    """The leases of one run. Nothing here waits; ``OSError`` where the place does not answer."""

    def __init__(self, place: Place) -> None:
        self._place = place
        self.run = uuid4().hex
        self._held: set[str] = set()
        self._gone: dict[str, bool] = {}

    def beat(self) -> None:
        """Show that this run lives."""
        me = {"host": socket.gethostname(), "pid": os.getpid(), "born": _born(os.getpid())}
        self._place.write(_alive(self.run), json.dumps(me).encode())
        self._gone.clear()

    def others(self) -> bool:
        """Whether another run lives."""
        runs = [
            e.path.rpartition("run-")[2] for e in self._place.files("leases") if "/run-" in e.path
        ]
        return any(run != self.run and not self._is_gone(run) for run in runs)

    def take(self, key: str) -> bool:
        """Whether this run may work on it: nobody does, or who did is gone."""
        path = f"leases/{key}"
        if key in self._held or self._place.write_new(path, self.run.encode()):
            self._held.add(key)
            return True
        holder = (self._place.read(path) or b"").decode("ascii", "replace")
        if holder and not self._is_gone(holder):
            return False
        self._place.write(path, self.run.encode())
        self._held.add(key)
        return True

    def give_back(self, key: str) -> None:
        """It is done, or will not be."""
        if key in self._held:
            self._held.discard(key)
            self._place.remove(f"leases/{key}")

    def end(self) -> None:
        """Give everything back."""
        for key in list(self._held):
            self.give_back(key)
        self._place.remove(_alive(self.run))

    def _is_gone(self, run: str) -> bool:
        if run not in self._gone:
            self._gone[run] = self._looks_gone(run)
        return self._gone[run]

    def _looks_gone(self, run: str) -> bool:
        sign, mine = self._place.entry(_alive(run)), self._place.entry(_alive(self.run))
        if sign is None:
            return True
        if mine is not None and mine.changed_ns - sign.changed_ns > STALE_NS:
            return True
        try:
            told: dict[str, Any] = json.loads(self._place.read(_alive(run)) or b"")
            here = told["host"] == socket.gethostname()
            return bool(here and _born(int(told["pid"])) != told["born"])
        except (ValueError, KeyError, TypeError):
            return True

    def sweep(self) -> int:
        """Remove what runs that are gone have left; how many files that were."""
        removed = 0
        for entry in list(self._place.files("leases")):
            name = entry.path.rpartition("/")[2]
            if name.startswith("run-"):
                gone = self._is_gone(name.removeprefix("run-"))
            else:
                holder = (self._place.read(entry.path) or b"").decode("ascii", "replace")
                gone = self._is_gone(holder)
            if gone:
                self._place.remove(entry.path)
                removed += 1
        return removed


def _alive(run: str) -> str:
    return f"leases/run-{run}"


def _born(pid: int) -> float | None:
    """When a process of this machine began; ``None`` when there is none of that number."""
    import psutil

    try:
        return float(psutil.Process(pid).create_time())
    except psutil.Error:
        return None
