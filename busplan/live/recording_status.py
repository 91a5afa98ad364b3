"""How a recording stands: counts of each network, what was written and what was lost."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from busplan.wording import counted, plural


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelStatus:
    """One network as it is being recorded. ``load`` is a share of the bit time, 0 to 1.

    Rate and load are those of the last second; when the recording has ended, of all of it.

    ``dropped`` counts frames that we had to drop; ``overflows`` how often the interface reported
    that its own buffer ran over, which loses an unknown number of frames. ``set_aside`` counts
    frames that no log could hold, ``breaks`` how often listening broke off: the interface went, or
    the thread that reads died or hung.
    """

    network: str
    listening: bool
    frames: int
    frames_per_s: float
    load: float | None
    errors: int
    dropped: int
    overflows: int
    set_aside: int
    breaks: int
    controller: str
    silence: str

    @property
    def state(self) -> str:
        """How the interface is, in words; what is not in order begins with ``!``."""
        if not self.listening:
            return "! interface gone"
        if self.controller not in ("", "error active"):
            return f"! {self.controller}"
        return "listening" if self.frames else "nothing yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingStatus:
    """The recording as a whole, once a tick. ``trouble`` says why the disk takes nothing, ``gone``
    what became of files that were removed meanwhile."""

    elapsed_s: float
    channels: tuple[ChannelStatus, ...]
    written: int
    waiting: int
    dropped: int
    files: tuple[str, ...]
    gone: tuple[str, ...]
    trouble: str | None

    @property
    def whole(self) -> bool:
        """Whether everything that was heard is in the files that were asked for, and every
        interface was listened to at the end."""
        channels = self.channels
        fine = all(c.listening and not (c.overflows or c.set_aside or c.breaks) for c in channels)
        return fine and not (self.dropped or self.gone or self.trouble)

    @property
    def sentence(self) -> str:
        """What was recorded, into which files, and what was lost."""
        files = ", ".join(Path(f).name for f in self.files)
        lost = f"{self.dropped:,} dropped" if self.dropped else "none dropped"
        if ran_over := sum(c.overflows for c in self.channels):
            lost += f"; interface buffers ran over {counted(ran_over, 'time')}, frames are missing"
        if aside := sum(c.set_aside for c in self.channels):
            lost += f"; {counted(aside, 'odd frame')} set aside, see the journal"
        frames = f"{self.written:,} {plural(self.written, 'frame')}"
        return f"{frames} in {self.elapsed_s:.1f} s to {files}; {lost}"

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON; times in seconds, loads from 0 to 1."""
        return asdict(self)
