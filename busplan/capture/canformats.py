"""Formats read through python-can, with what its readers drop or stumble over caught here.

* A line it cannot read ends its text readers; here that line is counted and reading goes on.
* Lines it skips without a word are counted too.
* Binary files that end early give a silent half; here the header's own figures are compared.
* Times come as doubles; the start is kept apart, so that nothing below a microsecond is lost.
"""

from __future__ import annotations

import gzip
import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, cast

from busplan.capture.blocks import GZIP_MAGIC, byte_blocks, numbered, whole_lines
from busplan.capture.chunks import LATEST_S, ChannelNames, Chunk, Progress
from busplan.capture.gather import CHUNK, NO_CHANNEL, Gatherer
from busplan.capture.tally import Tally
from busplan.errors import CaptureError
from busplan.findings import Weight

if TYPE_CHECKING:
    import can

OWN_START = "counts from the recorder's own start"
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
"""What no line of a capture holds: a block of zeros joins two lines that may look like one."""
HAS_CONTROL = "holds control characters"
_BYTE = re.compile(rb"[0-9A-Fa-f]{2}")
CSV_HEAD = "timestamp,arbitration_id,extended,remote,error,dlc,data"


class LineFeed(io.TextIOBase):
    """Numbered lines as python-can's readers want a text file, which knows where it stands.

    It gives lines; any other use raises the ``io.UnsupportedOperation`` of its base. ``candidate``
    is the number of the last line that has not become a frame, though it does not begin with any of
    ``remarks`` (in small letters); ``primer`` is given before the next line.
    """

    def __init__(
        self, lines: Iterator[tuple[int, str]], tally: Tally, remarks: tuple[str, ...]
    ) -> None:
        self.number = 0
        self.candidate: int | None = None
        self.primer = ""
        self._tally = tally
        self._lines = lines
        self._remarks = remarks

    def readline(self, size: int | None = -1, /) -> str:  # type: ignore[override]
        """The next line with its end, empty at the end of the file; what iteration calls."""
        if self.primer:
            primer, self.primer = self.primer, ""
            return primer
        self.number, line = next(self._lines, (self.number, None))
        if line is None:
            return ""
        self.skipped()
        start = line.lstrip().lower()
        if start and not start.startswith(self._remarks) and "start of measurement" not in start:
            self.candidate = self.number
        return line + "\n"

    def skipped(self) -> None:
        """Count the last candidate as a line that gave no frame."""
        if self.candidate is not None:
            self._tally.skip(self.candidate)
            self.candidate = None


def _numbered_lines(
    path: Path,
    tally: Tally,
    consumed: Callable[[int], None],
    whole: Callable[[bytes], bool] | None,
) -> Iterator[tuple[int, str]]:
    blocks = whole_lines(byte_blocks(path, tally, 1 << 20, consumed), tally, whole=whole)
    for tally.entries, line in numbered(blocks):
        if CONTROL.search(line):
            tally.set_aside(HAS_CONTROL, tally.entries)
        else:
            yield tally.entries, line


def messages_of_lines(
    make: Callable[[Any], can.io.generic.MessageReader], feed: LineFeed, tally: Tally, primer: str
) -> Iterator[can.Message]:
    """Messages of a text reader that goes on after a line it cannot read.

    ``primer`` is the line that makes the reader pass its header when it starts anew.
    """
    reader = make(feed)
    failed_at = -1
    while True:
        try:
            for message in reader:
                feed.candidate = None
                yield message
        except CaptureError:
            raise
        except Exception as error:  # whatever the library trips over is the line's fault
            if feed.number == failed_at:
                raise CaptureError(f"{tally.file}:{feed.number}: {error}") from error
            failed_at = feed.number
            feed.candidate = None
            tally.set_aside("cannot be understood", feed.number)
            feed.primer = primer
        else:
            feed.skipped()
            return


def _text_format(
    *,
    make: Callable[[Any], can.io.generic.MessageReader],
    channel_of: Callable[[can.Message], str],
    primer: str,
    remarks: tuple[str, ...],
    path: Path,
    tally: Tally,
    names: ChannelNames,
    progress: Progress | None,
    time_of: Callable[[Any, can.Message], float] = lambda reader, message: message.timestamp,
    knows_fd: bool = True,
    whole: Callable[[bytes], bool] | None = None,
) -> Iterator[Chunk]:
    at = frames = 0

    def consumed(done: int) -> None:
        nonlocal at
        at = done

    feed = LineFeed(_numbered_lines(path, tally, consumed, whole), tally, remarks)
    gatherer = Gatherer(tally, names, text=True, knows_fd=knows_fd)
    reader: Any = None

    def made(file: Any) -> can.io.generic.MessageReader:
        nonlocal reader
        reader = make(file)
        return cast("can.io.generic.MessageReader", reader)

    for message in messages_of_lines(made, feed, tally, primer):
        gatherer.add(message, time_of(reader, message), channel_of(message), feed.number)
        if len(gatherer) >= CHUNK:
            frames += len(gatherer)
            yield gatherer.chunk()
            if progress:
                progress(at, frames)
    tally.close_lines()
    yield gatherer.chunk()
    gatherer.remark()


def trc_chunks(
    path: Path, tally: Tally, names: ChannelNames, progress: Progress | None = None
) -> Iterator[Chunk]:
    """TRC text: bus numbers from 1, here ``can0`` and so on; times count from its start.

    The header's start time is local without a zone, so it is not used.
    """
    import can

    tally.clock = OWN_START

    def time_of(reader: can.TRCReader, message: can.Message) -> float:
        start = reader.start_time
        # The sum is only good to 0.2 µs; the file itself has microseconds.
        return round(message.timestamp - start.timestamp(), 6) if start else message.timestamp

    return _text_format(
        make=can.TRCReader,
        channel_of=lambda m: f"can{int(cast(int, m.channel)) - 1}",
        primer="",
        remarks=(";",),
        path=path,
        tally=tally,
        names=names,
        progress=progress,
        time_of=time_of,
        whole=_is_whole_trc,
    )


def _is_whole_trc(line: bytes) -> bool:
    """Whether a line ends with as many bytes as the number before them says, one digit as usual."""
    words = line.split()
    return any(
        words[-n - 1 : -n] == [b"%d" % n] and all(_BYTE.fullmatch(w) for w in words[-n:])
        for n in range(1, 9)
    )


def csv_chunks(
    path: Path, tally: Tally, names: ChannelNames, progress: Progress | None = None
) -> Iterator[Chunk]:
    """CSV as python-can writes it: it keeps neither channel nor direction nor CAN FD."""
    import can

    tally.channels_lost()
    return _text_format(
        make=can.CSVReader,
        channel_of=lambda m: NO_CHANNEL,
        primer=CSV_HEAD + "\n",
        remarks=(CSV_HEAD,),
        path=path,
        tally=tally,
        names=names,
        progress=progress,
        knows_fd=False,
    )


def blf_chunks(
    path: Path, tally: Tally, names: ChannelNames, progress: Progress | None = None
) -> Iterator[Chunk]:
    """BLF binary: channels are numbers from 1, here ``can0`` and so on."""
    import can

    tally.entry = "frame"
    with path.open("rb") as raw:
        packed = raw.read(2) == GZIP_MAGIC
        raw.seek(0)
        source = cast(IO[bytes], gzip.GzipFile(fileobj=raw)) if packed else raw
        try:
            reader = can.BLFReader(cast(Any, source))
        except Exception as error:  # the library raises whatever it stumbles over
            raise CaptureError(f"{path}: not a readable BLF file ({_said(error)})") from error
        # The start is added in integers: a double of seconds since 1970 is only good to 0.2 µs.
        shift_ns = round(reader.start_timestamp * 1000) * 1_000_000
        if not 0 <= shift_ns <= LATEST_S * 10**9:
            shift_ns = 0
        reader.start_timestamp = 0.0
        if shift_ns:
            tally.zone_unknown()
        else:
            tally.clock = OWN_START
        gatherer = Gatherer(tally, names)
        frames = 0
        try:
            for message in reader:
                frames += 1
                channel = NO_CHANNEL if message.channel is None else f"can{message.channel}"
                gatherer.add(message, message.timestamp, channel, frames)
                if len(gatherer) >= CHUNK:
                    yield gatherer.chunk(shift_ns)
                    if progress:
                        progress(raw.tell(), frames)
        except Exception as error:  # damage of any kind ends the file here
            tally.torn = f"damaged after frame {frames} ({_said(error)})"
        yield gatherer.chunk(shift_ns)
    tally.entries = frames
    gatherer.remark()
    size = 0 if packed else path.stat().st_size
    if tally.torn is None and size and reader.file_size > size:
        tally.torn = f"its header states {reader.file_size} bytes, the file has {size}"
    if frames < reader.object_count:
        tally.remark(
            "capture-count-differs",
            Weight.CAUTION if tally.torn else Weight.NOTE,
            f"the header counts {reader.object_count} entries, {frames} of them are frames "
            "that could be read",
            why="The others are of another kind, or lost.",
            action="Compare with the recorder's own count of frames.",
        )
    elif not reader.object_count and frames:
        tally.remark(
            "capture-header-incomplete",
            Weight.NOTE,
            "the header was never completed, so nothing tells whether frames are missing",
            why="The recorder was stopped without closing the file.",
            action="Check that the last recorded time is the one you expect.",
        )


def _said(error: BaseException) -> str:
    return str(error) or type(error).__name__
