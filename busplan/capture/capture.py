"""An opened capture: its frames, the files and channels they came from, what had to be tolerated.

The rules of this file: values are frozen; nothing here reads a file.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from busplan.capture.swapped import swapped_channels
from busplan.errors import CaptureError
from busplan.findings import Figure, Finding, Weight, Where, summary_line
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle
from busplan.wording import counted, listing, moment_text


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

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON: sources, clock and channels; not the frames, nor findings."""
        from busplan.capture.formats import format_named

        table = self.frames
        return {
            "sources": [
                {
                    "path": s.path,
                    "format": s.format,
                    "bytes": s.size,
                    "frames": s.frames,
                    "offset_s": s.offset_ns / 1e9,
                    "clock": s.clock,
                    "format_cannot_hold": list(format_named(s.format).limits),
                    "time_step_ns": format_named(s.format).step_ns,
                }
                for s in self.sources
            ],
            "origin_ns": table.origin_ns,
            "origin": moment_text(table.origin_ns, epoch=table.epoch),
            "span_s": table.span_ns / 1e9,
            "channels": [
                {
                    "name": c.name,
                    "network": c.network,
                    "frames": c.frames,
                    "error_frames": c.errors,
                    "first_ns": c.first_ns,
                    "last_ns": c.last_ns,
                }
                for c in self.channels
            ],
        }


def apply_plan(capture: Capture, vehicle: Vehicle) -> Capture:
    """Channels replaced by the networks the plan gives them to.

    A channel that carries a network's own name belongs to it. Channels nobody claims stay as they
    are and are reported; when no channel is claimed at all the plan does not belong to this
    capture and :class:`CaptureError` is raised. What the plan's definitions had to set aside, and
    channels that look swapped, are findings of the capture from then on.
    """
    claimed = {name: name for name in vehicle.networks} | vehicle.network_of_channel()
    channels = tuple(replace(c, network=claimed.get(c.name)) for c in capture.channels)
    if channels and all(c.network is None for c in channels):
        names = ", ".join(c.name for c in channels)
        raise CaptureError(
            f"no channel of the capture ({names}) belongs to a network of {vehicle.source}; "
            "list the channels of each network in the plan as channels = [...], or say which "
            "network it is with --channel CHANNEL=NETWORK"
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
    frames = capture.frames.relabel(claimed)
    channel_of = {c.network: c.name for c in channels if c.network is not None}
    swapped = swapped_channels(frames, vehicle, channel_of)
    return replace(
        capture,
        frames=frames,
        channels=channels,
        findings=(*capture.findings, *strangers, *swapped, *vehicle.cautions),
    )
