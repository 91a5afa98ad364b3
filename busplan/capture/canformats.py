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
from busplan.wording import counted

if TYPE_CHECKING:
    import can

OWN_START = "counts from the recorder's own start"
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
"""What no line of a capture holds: a block of zeros joins two lines that may look like one."""
HAS_CONTROL = "holds control characters"
_BYTES_LAST = re.compile(r"(?:\s[0-9A-F]{2}){2}\s*$|\s[RT]x\s", re.ASCII)
_LINE_NUMBER = re.compile(r"\s*(\d{1,12})\)?\s")
_BYTE = re.compile(rb"[0-9A-Fa-f]{2}")


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
        self.text = ""
        """The line given last."""
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
        self.text = line
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
    goes_on: Callable[[str, can.Message | None], bool] = lambda text, message: False,
    seen: Callable[[str, int], None] = lambda text, place: None,
) -> Iterator[Chunk]:
    """``goes_on`` tells lines with more than one frame, or with one behind a remark.

    ``seen`` is told each line that gave a frame, and its number.
    """
    at = frames = 0

    def consumed(done: int) -> None:
        nonlocal at
        at = done

    def watched(lines: Iterator[tuple[int, str]]) -> Iterator[tuple[int, str]]:
        for number, line in lines:
            if line.lstrip().lower().startswith(remarks) and goes_on(line, None):
                tally.join(number)
            yield number, line

    lines = watched(_numbered_lines(path, tally, consumed, whole))
    feed = LineFeed(lines, tally, remarks)
    gatherer = Gatherer(tally, names, text=True, knows_fd=knows_fd)
    reader: Any = None

    def made(file: Any) -> can.io.generic.MessageReader:
        nonlocal reader
        reader = make(file)
        return cast("can.io.generic.MessageReader", reader)

    for message in messages_of_lines(made, feed, tally, primer):
        gatherer.add(message, time_of(reader, message), channel_of(message), feed.number)
        seen(feed.text, feed.number)
        if goes_on(feed.text, message):
            tally.join(feed.number)
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
    numbers = _Numbers()

    def time_of(reader: can.TRCReader, message: can.Message) -> float:
        start = reader.start_time
        # The sum is only good to 0.2 µs; the file itself has microseconds.
        return round(message.timestamp - start.timestamp(), 6) if start else message.timestamp

    yield from _text_format(
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
        goes_on=_goes_on_trc,
        seen=numbers.see,
    )
    numbers.remark(tally)


def _goes_on_trc(text: str, message: can.Message | None) -> bool:
    """Whether a line ends otherwise than with the bytes of its frame, or a remark like a frame."""
    if message is None:
        return _BYTES_LAST.search(text) is not None
    if message.is_remote_frame or message.is_error_frame:
        return len(re.findall(r"\s[RT]x\s", text)) > 1
    bytes_of = message.data.hex() if message.data else "0"
    return not "".join(text.split()).lower().endswith(bytes_of)


def _is_whole_trc(line: bytes) -> bool:
    """Whether a line ends with as many bytes as the number before them says, one digit as usual."""
    words = line.split()
    return any(
        words[-n - 1 : -n] == [b"%d" % n] and all(_BYTE.fullmatch(w) for w in words[-n:])
        for n in range(1, 9)
    )


class _Numbers:
    """Follows the numbers of the frames of a TRC file: where they jump, lines are missing."""

    def __init__(self) -> None:
        self._last: int | None = None
        self.jumps = self.missing = 0
        self.first_jump = 0

    def see(self, text: str, place: int) -> None:
        """The next frame, on the line numbered ``place``."""
        found = _LINE_NUMBER.match(text)
        if found is None:
            return
        number = int(found[1])
        last = min(number - 1, 0) if self._last is None else self._last  # they begin with 0 or 1
        apart = number - last - 1
        if apart > 0:
            self.jumps += 1
            self.missing += apart
            self.first_jump = self.first_jump or place
        self._last = number

    def remark(self, tally: Tally) -> None:
        """Tell the tally."""
        if self.jumps:
            tally.remark(
                "capture-numbers-jump",
                Weight.NOTE,
                f"the numbers of the frames jump {counted(self.jumps, 'time')} (first: line "
                f"{self.first_jump}); {counted(self.missing, 'number')} missing",
                why="Frames are not in the file: lost, or left out when it was saved.",
                action="Compare with the recorder's own file if it should be whole.",
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
