"""Whether a capture fits into this machine's memory: foreseen before it is read whole."""

from __future__ import annotations

from busplan.errors import CaptureError

BYTES_PER_FRAME = 85
"""Memory at its highest while a capture is put together in memory: columns and payload, the index,
and one column twice while its blocks are joined. 80.5 measured on an hour of 36 million frames."""
BYTES_PER_FRAME_KEPT = 18
"""The same when the columns go into files: the index only; 16.1 measured."""
ALWAYS = 150_000_000
"""Bytes of the libraries that reading and judging load."""


def free_bytes() -> int:
    """Memory that programs can still have, without what the system lends them from the disk."""
    import psutil

    return int(psutil.virtual_memory().available)


class DoesNotFitError(CaptureError):
    """The capture is larger than the memory that is free: no fault of the capture."""


class Foresight:
    """Looks ahead while files are read: more often at the beginning, which costs least.

    ``size``: bytes of all files; ``kept``: whether the columns go into files.
    """

    def __init__(self, size: int, *, kept: bool) -> None:
        self._size = size
        self._kept = kept
        self._next = 0

    def check(self, done: int, frames: int) -> None:
        """Hold what is still to come against what is free, by what has come so far.

        A capture that will not fit is refused, instead of being ended by the system without a word.
        Raises :class:`DoesNotFitError`.
        """
        if not done or done < self._next:
            return
        self._next = 2 * done
        foreseen = frames * max(1.0, self._size / done)
        each = BYTES_PER_FRAME_KEPT if self._kept else BYTES_PER_FRAME
        needed, free = (foreseen - frames) * each + ALWAYS, free_bytes()
        if needed <= free:
            return
        raise DoesNotFitError(
            f"about {foreseen / 1e6:,.1f} million frames in all need {needed / 1e9:,.1f} GB more "
            f"memory, and {free / 1e9:,.1f} GB are free; "
            + (
                "read the files in parts, or on a larger machine"
                if self._kept
                else "a kept copy on the disk needs a fifth: leave out --no-cache, or let "
                "BUSPLAN_CACHE_DIR name a folder that can be written; or read the files in parts"
            )
        )
