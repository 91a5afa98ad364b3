"""Slow twins of the transport followers: one listener for each pair, plain objects.

They follow the rules told in ``busplan.transport`` but share no code with it; messages are kept as
pieces of bytes by number, and whatever happens is judged from them.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from support.transport_traffic import Frame


@dataclass
class Told:
    """What became of one session: its ending in words, its message, its last part's time."""

    who: tuple[object, ...]
    ending: str = "open"
    data: bytes = b""
    time_ns: int = 0
    repeats: int = 0
    unanswered: bool = False
    differs: bool = False

    def settled(self) -> "Told":
        """The same, judged as a whole: parts that came twice must agree."""
        if self.ending == "complete" and self.differs:
            self.ending = "changed"
        if self.ending != "complete":
            self.data = b""
        return self


@dataclass
class _Session:
    told: Told
    kind: str
    group: int = -1
    size: int = 0
    count: int = 0
    pieces: dict[int, bytes] = field(default_factory=dict)
    shift: int = 0
    latest: int = 0

    def gap(self) -> int:
        """The first piece that is missing."""
        return next(i for i in range(self.count + 1) if i not in self.pieces)


class _Pair:
    def __init__(self, who: tuple[object, ...], wait: int, first: int) -> None:
        self.who, self.wait, self.first = who, wait, first
        self.session: _Session | None = None
        self.heard = 0
        self.known = False
        self.told: list[Told] = []

    def begin(self, kind: str, ending: str, time: int) -> _Session:
        told = Told(self.who, ending, time_ns=time)
        self.told.append(told)
        self.session = _Session(told, kind)
        return self.session

    def drop(self, ending: str, *, late: bool = True) -> None:
        """The session is over; what is open gets an ending."""
        s, self.session = self.session, None
        if s is None:
            return
        if s.told.ending == "open":
            s.told.ending = ending
        elif s.told.ending == "complete" and s.kind == "rts" and late:
            s.told.unanswered = True

    def tick(self, time: int) -> None:
        if self.session is not None and time - self.heard > self.wait:
            self.drop("paused")


def slow_j1939(frames: Iterable[Frame]) -> list[Told]:
    """Sessions of one network; frames in time order."""
    listed = list(frames)
    pairs: dict[tuple[object, ...], _Pair] = {}
    first = listed[0].time_ns if listed else 0
    last = listed[-1].time_ns if listed else 0

    def pair(extended: bool, sender: int, receiver: int) -> _Pair:
        who = (extended, sender, receiver)
        if who not in pairs:
            pairs[who] = _Pair(who, 750_000_000 if receiver == 255 else 1_250_000_000, first)
        return pairs[who]

    for time, identifier, content, _ in listed:
        kind = identifier >> 16 & 0xFF
        source, destination = identifier & 0xFF, identifier >> 8 & 0xFF
        extended = kind in (0xC8, 0xC7)
        if kind in (0xEB, 0xC7):
            _packet(pair(extended, source, destination), time, content)
            continue
        full = content.ljust(8, b"\0")
        group = int.from_bytes(full[5:8], "little")
        if group >> 8 & 0xFF < 240:
            group &= 0x3FF00 | 0xFC0000
        word = {
            (False, 16): "rts",
            (False, 17): "cts",
            (False, 19): "end",
            (False, 32): "bam",
            (False, 255): "abort",
            (True, 20): "rts",
            (True, 21): "cts",
            (True, 22): "offset",
            (True, 23): "end",
            (True, 255): "abort",
        }.get((extended, full[0]), "stray")
        if len(content) < 8:
            word = "stray"
        if word in ("cts", "end"):
            source, destination = destination, source
        here = pair(extended, source, destination)
        here.tick(time)
        if word in ("bam", "rts"):
            size = int.from_bytes(full[1 : 5 if extended else 3], "little")
            count = -(-size // 7)
            fine = 1786 <= size <= 117440505 if extended else 1 <= size <= 1785 and full[3] == count
            fine = fine and group < 1 << 18 and (word == "bam") == (destination == 255)
            _announced(here, time, word if fine else "wrong", group, size, count)
        elif word == "abort":
            here.known = True
            ways = [here]
            if source != destination and (extended, destination, source) in pairs:
                ways.append(pairs[extended, destination, source])
            for way in ways:
                way.tick(time)
                s = way.session
                if s is not None and s.group in (-1, group):
                    if s.told.ending == "open" or (s.told.ending == "complete" and s.kind == "rts"):
                        s.told.ending = "aborted"
                    way.session = None
        else:
            here.known = True
            s = here.session
            if s is None or word == "stray" or s.group not in (-1, group):
                continue
            here.heard = time
            if word == "offset":
                s.shift = int.from_bytes(full[2:5], "little")
            elif word == "end":
                here.drop("missing", late=False)
    for here in pairs.values():
        late = last - here.heard > here.wait
        here.drop("paused" if late else "cut off", late=late)
    return [told.settled() for here in pairs.values() for told in here.told]


def _announced(here: _Pair, time: int, word: str, group: int, size: int, count: int) -> None:
    here.known = True
    here.heard = time
    s = here.session
    idle = s is not None and s.told.ending == "open" and not s.pieces
    if s is not None and idle and (s.kind, s.group, s.size) == (word, group, size):
        s.told.repeats += 1
        return
    here.drop("replaced")
    s = here.begin(word, "malformed" if word == "wrong" else "open", time)
    s.group, s.size, s.count = group, size, count


def _packet(here: _Pair, time: int, content: bytes) -> None:
    here.tick(time)
    fresh = not here.known and time - here.first <= here.wait
    here.known = True
    here.heard = time
    number = content[0] if content else 0
    s = here.session
    ghost = s is not None and s.told.ending in ("unannounced", "before")
    if (
        s is None
        or (s.told.ending == "complete" and s.shift + number > s.count)
        or (s.told.ending == "complete" and s.kind == "bam" and s.shift + number != s.count)
        or (ghost and number < s.latest)
    ):
        s = here.begin("loose", "before" if fresh else "unannounced", time)
        s.latest = number
        return
    if ghost:
        s.told.repeats += number == s.latest
        s.latest = number
        return
    if s.told.ending not in ("open", "complete"):
        return
    at = s.shift + number - 1
    if not 0 <= at < s.count:
        s.told.ending = "beyond"
    elif at in s.pieces:
        s.told.repeats += 1
        again = content[1:8]
        s.told.differs |= again[: len(s.pieces[at])] != s.pieces[at][: len(again)]
    elif at > s.gap() and (s.kind == "bam" or at - s.gap() >= 512):
        s.told.ending = "missing"
    else:
        need = min(7, s.size - 7 * at)
        if len(content) - 1 < need:
            s.told.ending = "short"
            return
        s.pieces[at] = content[1 : 1 + need]
        s.told.time_ns = time
        if len(s.pieces) == s.count:
            s.told.ending = "complete"
            s.told.data = b"".join(s.pieces[i] for i in range(s.count))


def slow_iso15765(
    frames: Iterable[Frame], identifier: int, partner: int | None, *, addressed: bool = False
) -> list[Told]:
    """Messages under one identifier of one network; frames in time order."""
    listed = list(frames)
    first, last = listed[0].time_ns, listed[-1].time_ns
    lead = 1 if addressed else 0
    streams: dict[int, _Stream] = {}
    for frame in listed:
        if frame.identifier == identifier and (len(frame.payload) or not addressed):
            kind = frame.payload[lead] >> 4 if len(frame.payload) > lead else 15
            if kind == 3 and frame.payload[lead] & 15 < 3:
                continue
            address = frame.payload[0] if addressed else -1
            stream = streams.setdefault(address, _Stream((identifier, address), first))
            stream.frame(frame.time_ns, frame.payload, lead)
        elif frame.identifier == partner and len(frame.payload) > lead:
            byte = frame.payload[lead]
            if byte >> 4 == 3 and byte & 15 < 3:
                for stream in streams.values():
                    stream.flow(frame.time_ns, byte & 15)
    for stream in streams.values():
        late = last - stream.heard > 1_000_000_000
        stream.close("paused" if late else "cut off")
    return [told.settled() for stream in streams.values() for told in stream.told]


class _Stream:
    def __init__(self, who: tuple[object, ...], first: int) -> None:
        self.who, self.first = who, first
        self.told: list[Told] = []
        self.now: Told | None = None
        self.heard = 0
        self.known = False
        self.before: bytes | None = None
        self.size = self.step = self.count = 0

    def close(self, ending: str) -> None:
        if self.now is not None and self.now.ending == "open":
            self.now.ending = ending
        self.now = None

    def begin(self, ending: str, time: int, data: bytes = b"") -> None:
        self.close("replaced")
        self.now = Told(self.who, ending, data, time)
        self.told.append(self.now)

    def flow(self, time: int, status: int) -> None:
        if self.now is not None and time - self.heard > 1_000_000_000:
            self.close("paused")
        if self.now is not None and self.now.ending == "open":
            self.heard = time
            if status == 2:
                self.now.ending = "refused"

    def frame(self, time: int, payload: bytes, lead: int) -> None:
        if self.now is not None and time - self.heard > 1_000_000_000:
            self.close("paused")
        fresh = not self.known and time - self.first <= 1_000_000_000
        same, self.before = payload == self.before, payload
        self.known = True
        self.heard = time
        content = payload[lead:]
        kind = content[0] >> 4 if content else 15
        if kind == 0:
            long = len(payload) > 8
            size = content[1] if long else content[0] & 15
            data = content[2:] if long else content[1:]
            fine = 1 <= size <= len(data) and not (long and content[0])
            self.begin("complete" if fine else "malformed", time, data[:size] if fine else b"")
        elif kind == 1:
            self._first(time, payload, content, lead, same)
        elif kind == 2:
            self._next(time, content, same, fresh)

    def _first(self, time: int, payload: bytes, content: bytes, lead: int, same: bool) -> None:
        idle = self.now is not None and self.now.ending == "open" and not self.count
        if self.now is not None and idle and same:
            self.now.repeats += 1
            return
        padded = content.ljust(6, b"\0")
        size = (padded[0] & 15) << 8 | padded[1]
        data = content[2:]
        fine = True
        if size == 0:
            size = int.from_bytes(padded[2:6], "big")
            data = content[6:]
            fine = size > 4095
        alone = len(content) - (2 if len(payload) > 8 else 1)
        fine = fine and len(payload) >= 8 and size > alone
        self.begin("open" if fine else "malformed", time, data if fine else b"")
        self.size, self.step, self.count = size, len(content) - 1, 0

    def _next(self, time: int, content: bytes, same: bool, fresh: bool) -> None:
        now = self.now
        if now is None or (now.ending == "complete" and not same):
            self.begin("before" if fresh else "unannounced", time)
            return
        if now.ending == "complete":
            now.repeats += 1
        elif now.ending == "open":
            need = min(self.step, self.size - len(now.data))
            if content[0] & 15 == (self.count + 1) % 16:
                if len(content) - 1 < need:
                    now.ending = "short"
                    return
                self.count += 1
                now.data += content[1 : 1 + need]
                now.time_ns = time
                if len(now.data) == self.size:
                    now.ending = "complete"
            elif same:
                now.repeats += 1
            else:
                now.ending = "missing"
