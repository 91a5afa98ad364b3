"""ASC text: data frames of the usual shape by a kernel, all other lines by python-can's reader.

Channels are numbers from 1, here ``can0`` and so on; number 0 is ``channel0``. Times count from the
file's start; the date in the header has no zone, so it is not used.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from busplan.capture.ahead import in_order
from busplan.capture.blocks import Reach, byte_blocks, whole_lines
from busplan.capture.canformats import CONTROL, HAS_CONTROL, OWN_START, LineFeed, messages_of_lines
from busplan.capture.chunks import MOST_WORDS, NOTHING, ChannelNames, Chunk, Progress, put_among
from busplan.capture.gather import NO_CHANNEL, Gatherer
from busplan.capture.tally import Tally
from busplan.errors import CaptureError
from busplan.frames.columns import I64, U8

_HEADER = re.compile(rb"^base\s+(hex|dec)(?:\s+timestamps\s+(absolute|relative))?", re.I | re.M)
_END_MARK = "end triggerblock"
_HEADER_GOES_ON = re.compile(
    r"(?>base\s+(?:hex|dec)(?:\s+timestamps\s+(?:absolute|relative))?"
    r"|(?:no )?internal events logged|end triggerblock)\s*\S"
)
_REMARKS = (
    "//",
    "date ",
    "base ",
    "internal events",
    "no internal events",
    "begin triggerblock",
    _END_MARK,
)
"""How lines begin that are neither frames nor lost ones."""
_CLASSICAL = re.compile(
    r"\s*\d+\.\d+\s+\d+\s+\w+\s+[TR]x\s+(\S+)(?:\s+(\S+)(?:\s+(.*))?)?", re.ASCII
)
_ANOTHER = re.compile(r"[RT]x\s+(?:[dr]\s|[0-9A-Fa-f]+x?\s)|(?:\s[0-9A-Fa-f]{2}){2}\s*$", re.ASCII)
"""What stands in a line that is a frame, or has the rest of one at its end."""
_DIRECTION = re.compile(r"\s[RT]x\s", re.ASCII)
_START = re.compile(r"[\d.\s]*start of measurement", re.ASCII | re.IGNORECASE)
_BLOCK = 1 << 20
"""Bytes handled at a time; each line may be one for the careful reader, which costs 200 bytes."""
_PRIMER = "internal events logged\n"
"""The line after which the library's reader expects frames; without it, it drops the first one."""


def asc_chunks(
    path: Path, tally: Tally, names: ChannelNames, progress: Progress | None = None
) -> Iterator[Chunk]:
    """The frames of an ASC file, block by block."""
    tally.clock = OWN_START
    frames = 0
    reach = Reach()
    head = next(byte_blocks(path, Tally(str(path))), b"")
    base = _base(path, head)
    careful = _Careful(tally, names, base, head.decode("utf-8", "replace").split("\n")[:-1])
    blocks = byte_blocks(path, tally, _BLOCK, reach.consumed)
    lines = whole_lines(blocks, tally, whole=lambda line: line.lower() == _END_MARK.encode())
    parse = partial(_parse, careful.after) if base == "hex" else _leave
    for block in in_order(reach.noted(lines), parse):
        done = reach.next_end()
        chunk = careful.join(block)
        tally.entries += block.lines
        frames += len(chunk)
        yield chunk
        if progress:
            progress(done, frames)
    careful.finish()
    tally.close_lines()


def _base(path: Path, head: bytes) -> str:
    """The base of numbers by the file's header; times counted from line to line are refused."""
    stated = _HEADER.search(head)
    if stated and (stated[2] or b"").lower() == b"relative":
        raise CaptureError(
            f"{path}: its times count from line to line (timestamps relative); save it with "
            "absolute time stamps"
        )
    return "dec" if stated and stated[1].lower() == b"dec" else "hex"


def _channel(number: Any) -> str:
    """The name of a channel numbered from 0; the file's own number 0 lies before that."""
    return "channel0" if number == -1 else f"can{number}"


@dataclass(frozen=True, eq=False)
class _Block:
    """What the kernel made of a block; ``channel`` takes the place of the chunk's network.

    ``others`` are the lines left: their text, line number in the block and frames before them.
    """

    columns: Chunk
    lines: int
    others: list[tuple[str, int, int]]


def _parse(after: tuple[int, int], text: U8) -> _Block:
    from busplan.capture.asckernel import parse_lines

    room = int((text == 10).sum())
    time_ns, channel = np.empty(room, np.int64), np.empty(room, np.uint16)
    identifier, flags = np.empty(room, np.uint32), np.empty(room, np.uint8)
    length, payload = np.empty(room, np.uint8), np.empty(len(text) // 3 + 64, np.uint8)
    others = np.empty((room, 4), np.int64)
    frames, used, lines, other = parse_lines(
        text, time_ns, channel, identifier, flags, length, payload, others, *after
    )
    return _Block(
        Chunk(
            time_ns[:frames].copy(),
            channel[:frames].copy(),
            identifier[:frames].copy(),
            flags[:frames].copy(),
            length[:frames].copy(),
            payload[:used].copy(),
        ),
        lines,
        [
            (text[first:end].tobytes().decode("utf-8", "replace"), int(line), int(before))
            for first, end, line, before in others[:other]
        ],
    )


def _leave(text: U8) -> _Block:
    """A block of which every line is left: one with decimal numbers."""
    lines = text.tobytes().decode("utf-8", "replace").split("\n")[:-1]
    left = [(line, i, 0) for i, line in enumerate(lines, start=1) if line.strip()]
    return _Block(NOTHING, len(lines), left)


def _words_after(text: str, base: str) -> tuple[bool, int] | None:
    """Whether a line is one of CAN FD, and the words behind its payload; ``None`` for others."""
    words = text.split()
    fd = words[1:2] == ["CANFD"]
    try:
        if fd:
            at = 8 if words[5].isdigit() else 9
            size = int(words[at])
        else:
            at = 5
            size = min(8, int(words[at], 16 if base == "hex" else 10))
            if words[3] not in ("Rx", "Tx") or words[4] != "d":
                return None
    except (IndexError, ValueError):
        return None
    return fd, max(0, len(words) - at - 1 - size)


def _usual(known: list[tuple[bool, int]], *, fd: bool) -> int:
    """Which numbers of words are usual, as bits: all that come twice, else the first; or any."""
    numbers = Counter(min(words, MOST_WORDS) for kind, words in known if kind is fd)
    often = [number for number, times in numbers.items() if times > 1] or list(numbers)[:1]
    return sum(1 << number for number in often) if often else -1


class _Careful:
    """Reads the lines the kernel left."""

    def __init__(self, tally: Tally, names: ChannelNames, base: str, head: list[str]) -> None:
        self._tally = tally
        self._names = names
        self._base = base
        known = [found for line in head if (found := _words_after(line, base))]
        self.after = _usual(known, fd=False), _usual(known, fd=True)
        """Bits: how many words may follow the payload, in classical frames and those of CAN FD."""
        self._open_blocks = 0
        self._gatherer = Gatherer(tally, names, text=True)

    def join(self, block: _Block) -> Chunk:
        """The frames of a block, those of its other lines in their places."""
        fast = block.columns
        channels = np.unique(fast.network)
        numbers = np.zeros(int(channels.max(initial=0)) + 1, np.uint16)
        numbers[channels] = [self._names.index(_channel(c - 1)) for c in channels]
        fast = replace(fast, network=numbers[fast.network])
        slow, before = self._frames(block.others)
        return put_among(fast, slow, before) if len(slow) else fast

    def _frames(self, lines: list[tuple[str, int, int]]) -> tuple[Chunk, I64]:
        import can

        for text, _, _ in lines:
            mark = text.strip().lower()
            self._open_blocks += mark.startswith("begin triggerblock") - (mark == _END_MARK)
        first = self._tally.entries
        sound = [(first + line, text) for text, line, _ in lines if self._is_sound(text, line)]
        feed = LineFeed(iter(sound), self._tally, _REMARKS)
        feed.primer = _PRIMER
        place = {first + line: before for _, line, before in lines}
        before = []

        def make(file: Any) -> can.ASCReader:
            return can.ASCReader(file, base=self._base, relative_timestamp=True)

        # Any line that is not of the header makes the reader expect frames.
        for message in messages_of_lines(make, feed, self._tally, _PRIMER):
            channel = NO_CHANNEL if message.channel is None else _channel(message.channel)
            known = len(self._gatherer)
            self._gatherer.add(message, message.timestamp, channel, feed.number)
            before += [place[feed.number]] * (len(self._gatherer) - known)
            if self._goes_on(feed.text):
                self._tally.join(feed.number)
        return self._gatherer.chunk(), np.array(before, np.int64)

    def _goes_on(self, text: str) -> bool:
        """Whether something follows a frame that does not follow the others, or another frame."""
        found = _words_after(text, self._base)
        more = found is not None and not self.after[found[0]] >> min(found[1], MOST_WORDS) & 1
        return more or len(_DIRECTION.findall(text)) > 1

    @staticmethod
    def _hides(text: str) -> bool:
        """Whether a line that is no frame by its beginning holds (the rest of) one."""
        said = text.strip().lower()
        if "start of measurement" in said:
            return not _START.fullmatch(said)
        remark = said.startswith(_REMARKS)
        return remark and (bool(_ANOTHER.search(text)) or _HEADER_GOES_ON.match(said) is not None)

    def _is_sound(self, text: str, line: int) -> bool:
        """Set aside what the library would take for a frame with other bytes."""
        if CONTROL.search(text):
            self._tally.set_aside(HAS_CONTROL, self._tally.entries + line)
            return False
        frame = _CLASSICAL.match(text)
        if not frame:
            if self._hides(text):
                self._tally.join(self._tally.entries + line)
            return True
        kind, length, rest = frame.groups(default="")
        reason = None
        if kind.lower() not in {"d", "r"}:
            reason = "has a kind of frame nobody knows"
        elif kind.lower() == "d" and self._base == "hex" and length in set("012345678"):
            torn = any(len(byte) != 2 for byte in rest.split()[: int(length)])
            reason = "has a byte that is not two hexadecimal digits" if torn else None
        if reason:
            self._tally.set_aside(reason, self._tally.entries + line)
        return reason is None

    def finish(self) -> None:
        """Say what was decided for the whole file."""
        self._gatherer.remark()
        if self._open_blocks > 0 and not self._tally.torn:
            self._tally.torn = "its last block has no end mark"
