"""An opened capture: its frames, the files and channels they came from, what had to be tolerated.

The rules of this file: values are frozen; nothing here reads a file.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from busplan.errors import CaptureError
from busplan.findings import Figure, Finding, Weight, Where, summary_line
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle
from busplan.wording import counted, listing


@dataclass(frozen=True, slots=True)
class Source:
    """One file of a capture. ``offset_ns`` was added to its times, as asked for; ``clock`` says
    what they count from."""

    path: str
    format: str
    size: int
    frames: int
    offset_ns: int = 0
    clock: str = "UTC"


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel as recorded. ``network`` is ``None`` until a plan has claimed the channel.

    Times are as recorded, ``None`` when the channel has no frame with a believable one.
    """

    name: str
    frames: int
    errors: int
    first_ns: int | None
    last_ns: int | None
    network: str | None = None


@dataclass(frozen=True, eq=False, repr=False)
class Capture:
    """Frames with their origin. ``findings`` holds everything reading had to tolerate."""

    frames: FrameTable
    sources: tuple[Source, ...]
    channels: tuple[Channel, ...]
    findings: tuple[Finding, ...] = ()

    def __repr__(self) -> str:
        files = listing((repr(s.path) for s in self.sources), 3)
        told = summary_line(self.findings)
        return f"<{type(self).__name__} of {files}: {self.frames!r}, {told}>"


def apply_plan(capture: Capture, vehicle: Vehicle) -> Capture:
    """Channels replaced by the networks the plan gives them to.

    A channel that carries a network's own name belongs to it. Channels nobody claims stay as they
    are and are reported; when no channel is claimed at all the plan does not belong to this
    capture and :class:`CaptureError` is raised.
    """
    claimed = {name: name for name in vehicle.networks} | vehicle.network_of_channel()
    channels = tuple(replace(c, network=claimed.get(c.name)) for c in capture.channels)
    if channels and all(c.network is None for c in channels):
        names = ", ".join(c.name for c in channels)
        raise CaptureError(
            f"no channel of the capture ({names}) belongs to a network of {vehicle.source}; "
            "list the channels of each network in the plan as channels = [...]"
        )
    strangers = [
        Finding(
            "channel-unknown",
            Weight.CAUTION,
            Where(network=c.name),
            f"the plan gives channel {c.name} ({counted(c.frames, 'frame')}) to no network",
            why="Its frames cannot be decoded nor counted to a network's load.",
            action="Add it to the channels of its network in the plan.",
            figures=(Figure("frames", c.frames),),
        )
        for c in channels
        if c.network is None
    ]
    return replace(
        capture,
        frames=capture.frames.relabel(claimed),
        channels=channels,
        findings=(*capture.findings, *strangers),
    )
