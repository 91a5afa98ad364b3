"""Following segmented messages of ISO 15765-2 frame by frame, as somebody who only listens.

The rules of this file are those of :mod:`busplan.transport.j1939_follow`: whole numbers only, on
lists as it stands or compiled on arrays. A *stream* is one identifier of one network (and one
address byte, where there is one); it carries one message at a time. What is decided here (ISO
15765-2, from memory):

* A message is broken by the first sequence number that does not follow; nothing is asked for again.
* A frame that is the very same as the one before in its stream is a repeat, unless it follows.
* A first or single frame ends whatever was going on; an overflow of the receiver does, too.
* A message is given up when nothing of it, nor a flow control for it, came for the time-out.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence

from busplan.transport.endings import (
    AGAIN,
    BEFORE,
    COMPLETE,
    CUT_OFF,
    MALFORMED,
    MISSING,
    NOTHING,
    OPEN,
    PAUSED,
    REFUSED,
    REPLACED,
    SHORT,
    UNANNOUNCED,
)

SINGLE, FIRST, NEXT, WRONG, FLOW, OVERFLOW, STRAY = range(7)
"""What a frame is: a whole message, the first part, a further part, a single or first frame that
contradicts itself, flow control that lets a message go on, one that refuses it, none of these."""


def follow(
    time: Sequence[int],
    what: Sequence[int],
    stream: Sequence[int],
    size: Sequence[int],
    number: Sequence[int],
    room: Sequence[int],
    step: Sequence[int],
    same: Sequence[int],
    patience: Sequence[int],
    first: Sequence[int],
    last: Sequence[int],
    session: MutableSequence[int],
    part: MutableSequence[int],
    ending: MutableSequence[int],
    begun: MutableSequence[int],
    final: MutableSequence[int],
    repeats: MutableSequence[int],
    unanswered: MutableSequence[int],
) -> int:
    """Give every frame to its message; the number of messages.

    One entry a frame: ``time`` [ns], ``what`` it is, the ``stream`` it is about, ``size`` [byte]
    as announced, sequence ``number``, ``room`` message bytes in the frame, ``step`` message bytes
    that further frames like it hold, whether it is the ``same`` as the one before. One entry a
    stream: ``patience`` [ns], ``first`` and ``last`` moment of its network in the capture.

    Written, one entry a frame: ``session`` (−1 none) and ``part`` (byte of the message it starts
    at, ``AGAIN − byte`` for one that came again, −1 none). Written, one entry a session: as for
    J1939; nothing is ever ``unanswered``.
    """
    streams = len(first)
    opened = [-1] * streams
    known = [0] * streams
    heard = [0] * streams
    got = [0] * streams  # message bytes there so far
    at = [0] * streams  # byte at which the last part began
    expected = [0] * streams
    sessions = 0
    for e in range(len(time)):
        p = stream[e]
        w = what[e]
        t = time[e]
        s = opened[p]
        if s >= 0 and t - heard[p] > patience[p]:
            if ending[s] == OPEN:
                ending[s] = PAUSED
            opened[p] = -1
            s = -1
        session[e] = NOTHING
        part[e] = NOTHING
        if w in (FLOW, OVERFLOW):
            if s >= 0 and ending[s] == OPEN:
                heard[p] = t
                session[e] = s
                if w == OVERFLOW:
                    ending[s] = REFUSED
            continue
        fresh = known[p] == 0 and t - first[p] <= patience[p]
        known[p] = 1
        heard[p] = t
        if w == STRAY:
            continue
        if w == NEXT and s >= 0 and ending[s] != COMPLETE:
            session[e] = s
            if ending[s] == OPEN:
                need = min(step[begun[s]], size[begun[s]] - got[p])
                if number[e] == expected[p] and room[e] < need:
                    ending[s] = SHORT
                elif number[e] == expected[p]:
                    part[e] = got[p]
                    at[p] = got[p]
                    got[p] += need
                    final[s] = e
                    expected[p] = (expected[p] + 1) % 16
                    if got[p] == size[begun[s]]:
                        ending[s] = COMPLETE
                elif same[e] == 1:
                    repeats[s] += 1
                    part[e] = AGAIN - at[p]
                else:
                    ending[s] = MISSING
            continue
        again = w == FIRST and s >= 0 and ending[s] == OPEN and final[s] == begun[s]
        if s >= 0 and same[e] == 1 and (w == NEXT or again):
            session[e] = s
            repeats[s] += 1
            continue
        if s >= 0 and ending[s] == OPEN:
            ending[s] = REPLACED
        s = sessions
        sessions += 1
        opened[p] = s
        session[e] = s
        begun[s] = e
        final[s] = e
        if w == SINGLE:
            ending[s] = COMPLETE
            part[e] = 0
        elif w == FIRST:
            ending[s] = OPEN
            part[e] = 0
            at[p] = 0
            got[p] = room[e]
            expected[p] = 1
        elif w == WRONG:
            ending[s] = MALFORMED
        else:
            ending[s] = BEFORE if fresh else UNANNOUNCED
    for p in range(streams):
        s = opened[p]
        if s >= 0 and ending[s] == OPEN:
            ending[s] = PAUSED if last[p] - heard[p] > patience[p] else CUT_OFF
    return sessions
