"""What happens around a recording, as JSON lines beside the log, written append-only as it is."""

from __future__ import annotations

import json
import threading
from collections import deque
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

REMEMBERED = 1000
"""Journal entries kept in memory: a recording may run for weeks."""


class Journal:
    """What happened around a recording, as JSON lines; without a path it is only remembered.

    The file holds everything, the memory the last :data:`REMEMBERED` entries.
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self._entries: deque[dict[str, Any]] = deque(maxlen=REMEMBERED)
        self._lock = threading.Lock()

    @property
    def entries(self) -> tuple[dict[str, Any], ...]:
        """The last entries, oldest first."""
        with self._lock:
            return tuple(self._entries)

    def note(self, what: str, **details: Any) -> None:
        """Append one entry with the time of the wall clock (UTC)."""
        entry = {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), "what": what}
        entry.update(details)
        with self._lock:
            self._entries.append(entry)
            if self.path is not None:
                try:
                    with self.path.open("a", encoding="utf-8") as file:
                        file.write(json.dumps(entry, ensure_ascii=False) + "\n")
                except OSError:
                    # A full disk refuses the journal as well; the writer says so on the screen.
                    return
