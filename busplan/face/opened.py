"""An opened capture for notebooks: its frames, and the values of its signals as a table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from os import PathLike
from typing import TYPE_CHECKING, Literal

from busplan.capture import capture as opening
from busplan.errors import UsageError
from busplan.face.findings import Findings
from busplan.face.given import a_number, a_path, a_vehicle, names, nanoseconds
from busplan.tables import Table, html_of, unit

if TYPE_CHECKING:
    from pandas import DataFrame

    from busplan.decode.columns import Column
    from busplan.plan.vehicle import SignalAddress, Vehicle

_LONGEST_SHIFT_S = 4e9
"""Seconds by which the times of a file may be moved."""


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """One channel of a capture; times count from the first frame."""

    channel: str
    network: str | None
    frames: int
    error_frames: int
    first_s: float | None = field(metadata=unit("s"))
    last_s: float | None = field(metadata=unit("s"))


@dataclass(frozen=True, eq=False, repr=False)
class Capture(opening.Capture):
    """Recorded frames with their origin and, once a plan is applied, their meaning.

    * ``frames``: the frames as columns (:class:`busplan.frames.table.FrameTable`): ``time_ns``
      [ns], ``network``, ``identifier``, ``flags``, ``length``, ``payload`` …;
    * ``sources``, ``channels``: the files and channels they came from;
    * ``findings``: everything that reading had to tolerate;
    * ``vehicle``: whose capture it is; ``None`` when it was read without a plan.

    >>> v = busplan.load_plan("as_built.toml")
    >>> c = busplan.read_capture("drive_short.log.gz", v)
    >>> len(c.frames), c.frames.networks[:2]
    (66543, ('pack', 'charge'))
    """

    vehicle: Vehicle | None = None

    def decode(
        self,
        *signals: str,
        every_s: float | None = None,
        hold_s: float | None = None,
        index: Literal["seconds", "timedelta", "utc"] = "seconds",
    ) -> DataFrame:
        """The values of signals: one row a time, one column a signal.

        ``signals`` are trailing parts of full names, ``network/node/message/signal``; ``*`` stands
        for any text. Without any, every signal of the plan.

        * Rows: every time at which one of the signals came; with ``every_s`` a regular grid from
          the first frame on.
        * Index: seconds from the first frame (``time_s``), the same as ``timedelta``, or ``utc``
          times where the capture has a date.
        * Columns: a signal's own name, led by as much of its full name as tells it from all other
          signals of the plan.
        * Values: a cell holds the last value received up to its time. It is missing before the
          first one, and with ``hold_s`` when the last one is older than that; ``hold_s=0`` keeps
          only values that came at that very time. Missing is NaN, in columns of whole numbers
          ``pandas.NA`` (``Int64``). Nothing is corrected: values out of range and codes for "not
          available" stand as they were sent.
        * ``attrs``: ``units`` and ``signals`` (the full name) by column, ``hold_rule`` in words,
          and ``notes``, which tell what decoding had to note.

        :class:`busplan.UsageError` when a name matches nothing, or the capture has no plan.

        >>> v = busplan.load_plan("as_built.toml")
        >>> c = busplan.read_capture("drive_short.log.gz", v)
        >>> cells = c.decode("CellVoltages*/*", every_s=1)
        >>> cells.shape, cells.columns[0]
        ((35, 96), 'monitor_a/CellVoltages1/CellVoltage01')
        >>> cells.attrs["units"]["monitor_a/CellVoltages1/CellVoltage01"]
        'V'
        """
        from busplan.decode.columns import Grid
        from busplan.decode.series import decode_series, frame_of_series
        from busplan.plan.select import select_signals

        vehicle = its_vehicle(self, "decode")
        wanted = names(signals, "decode")
        if index not in ("seconds", "timedelta", "utc"):
            raise UsageError(f'index is "seconds", "timedelta" or "utc", not {index!r}')
        grid = Grid(
            nanoseconds(every_s, "every_s"), nanoseconds(hold_s, "hold_s", none_at_all=True)
        )
        series = decode_series(
            self.frames,
            vehicle,
            select_signals(vehicle, wanted) if wanted else None,
            layout="wide",
            grid=grid,
            absolute=index == "utc",
        )
        frame = frame_of_series(series)
        if index == "timedelta":
            import pandas as pd

            seconds = frame.pop("time_s")
            frame.index = pd.to_timedelta((seconds * 1e9).round().astype("int64"), unit="ns")
            frame.index.name = "time"
        else:
            frame = frame.set_index(frame.columns[0])
        columns = _named(series.columns, vehicle)
        frame.columns = list(columns)
        frame.attrs = {
            "units": {name: c.signal.unit for name, c in columns.items()},
            "signals": {name: str(c.address) for name, c in columns.items()},
            "hold_rule": series.grid.rule,
            "notes": [f"{f.weight.word}: {f.summary}" for f in series.findings()],
        }
        return frame

    def to_frame(self) -> DataFrame:
        """One row a channel: its network, its frames, and when it was heard [s]."""
        origin = self.frames.origin_ns
        rows = (
            ChannelRow(
                channel=c.name,
                network=c.network,
                frames=c.frames,
                error_frames=c.errors,
                first_s=None if c.first_ns is None else (c.first_ns - origin) / 1e9,
                last_s=None if c.last_ns is None else (c.last_ns - origin) / 1e9,
            )
            for c in self.channels
        )
        return Table("channels", ChannelRow, tuple(rows)).to_frame()

    def _repr_html_(self) -> str:
        return html_of(repr(self), self.to_frame())


def a_capture(value: object, call: str) -> Capture:
    """The capture; ``UsageError`` when it is none."""
    if isinstance(value, Capture):
        return value
    raise UsageError(
        f"{call} wants a capture, as busplan.read_capture gives it, not {type(value).__name__}"
    )


def its_vehicle(capture: Capture, call: str) -> Vehicle:
    """The vehicle that a capture was read with; ``UsageError`` when it was read without."""
    if capture.vehicle is None:
        raise UsageError(
            f"{call} wants a capture with its plan: busplan.read_capture(files, vehicle)"
        )
    return capture.vehicle


def _named(columns: Sequence[Column], vehicle: Vehicle) -> dict[str, Column]:
    """Columns by the shortest trailing part of their name that is no other signal's in the plan."""
    times = Counter(part for address, _, _ in vehicle.signals() for part in _trailing(address))
    return {
        next((p for p in _trailing(c.address) if times[p] == 1), str(c.address)): c for c in columns
    }


def _trailing(address: SignalAddress) -> list[str]:
    """Trailing parts of a full name, shortest first."""
    return ["/".join(address[step:]) for step in (3, 2, 1, 0)]


def read_capture(
    files: str | PathLike[str] | Sequence[str | PathLike[str]],
    vehicle: Vehicle | None = None,
    *,
    offsets_s: Mapping[str, float] | None = None,
    channels: Mapping[str, str] | None = None,
    columns: str = "",
    cache: bool = True,
) -> Capture:
    """A capture of one or several files that belong together: text log, ASC, BLF, CSV, TRC …

    ``vehicle`` gives its channels to networks. ``offsets_s`` moves the times of a file [s], by its
    name; ``channels`` renames channels; ``columns`` says what the columns of CSV files hold, as
    ``--columns`` does: ``"time=Time:ms,id=ID,data=D1..D8"``. ``cache`` keeps what takes long to
    read in the user's cache folder. :class:`busplan.CaptureError` when a file is missing or no
    capture, or when the vehicle has none of its channels; what can be tolerated is in the
    capture's ``findings``.

    >>> c = busplan.read_capture("drive_short.log.gz")
    >>> [channel.name for channel in c.channels][:2]
    ['can1', 'can2']
    """
    from busplan.capture.read import read_capture as read

    several = [files] if isinstance(files, str | PathLike) else files
    if not isinstance(several, Sequence) or isinstance(several, bytes):
        raise UsageError(f"read_capture wants paths of files, not {type(files).__name__}")
    paths = [str(a_path(one, "read_capture")) for one in several]
    shift = {
        name: round(a_number(s, f"offsets_s of {name}", -_LONGEST_SHIFT_S, _LONGEST_SHIFT_S) * 1e9)
        for name, s in (offsets_s or {}).items()
    }
    opened: opening.Capture = read(
        paths, offsets=shift, channels=channels, columns=columns, cache=cache
    )
    if vehicle is not None:
        opened = opening.apply_plan(opened, a_vehicle(vehicle, "read_capture"))
    return Capture(
        opened.frames, opened.sources, opened.channels, Findings(opened.findings), vehicle
    )
