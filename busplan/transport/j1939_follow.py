"""Following J1939 transport sessions frame by frame, as somebody who only listens.

The rules of this file: whole numbers only, no classes, so that it runs as it stands on lists (few
frames: no compiler is loaded) and, through :mod:`busplan.transport.compiled_followers`, on int64
arrays.

A *pair* is one sender and one receiver of data on one network, with the ordinary and the extended
protocol apart; a pair has one session at a time. What is decided here (SAE J1939-21, from memory):

* A broadcast must come in order and without gaps; a connection may repeat packets that its
  receiver asks for again, so there only the end tells what is missing.
* A session is given up when nothing of it came for longer than any time-out that could apply.
* Packets after a complete broadcast are those of one whose announcement was missed.
* The rest of a broken session belongs to it and is no session of its own.
* An announcement that comes again before any packet, and a packet that comes again, are repeats.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence

from busplan.transport.endings import (
    ABORTED,
    AGAIN,
    BEFORE,
    BEYOND,
    COMPLETE,
    CUT_OFF,
    MALFORMED,
    MISSING,
    NOTHING,
    OPEN,
    PAUSED,
    REPLACED,
    SHORT,
    UNANNOUNCED,
)

DATA, BROADCAST, REQUEST, WRONG, CLEAR, ACKNOWLEDGED, ABORT, OFFSET, STRAY = range(9)
"""What a frame is: a packet; announcements (``WRONG``: one that contradicts itself); and what is
said about a session: clear to send, end acknowledged, abort, data packet offset, none of these."""

PACKET = 7
"""Message bytes in a packet."""
WINDOW = 512
"""How far packets of a connection may run ahead of the first one missing."""


def follow(
    time: Sequence[int],
    what: Sequence[int],
    pair: Sequence[int],
    reverse: Sequence[int],
    group: Sequence[int],
    size: Sequence[int],
    number: Sequence[int],
    room: Sequence[int],
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
    """Give every frame to its session; the number of sessions.

    One entry a frame: ``time`` [ns], ``what`` it is, the ``pair`` whose session it is about,
    ``reverse`` the pair the other way round (of an abort; −1 when there is none), ``group`` and
    ``size`` [byte] as announced, ``number`` of a packet or the packets before an offset, ``room``
    message bytes in a packet's frame. One entry a pair: ``patience`` [ns], ``first`` and ``last``
    moment of its network in the capture.

    Written, one entry a frame: ``session`` (−1 none) and ``part`` (packet number from 0, ``AGAIN −
    k`` for one that came again, −1 none). Written, one entry a session: its ``ending``, the frame
    it has ``begun`` with, its ``final`` packet, ``repeats``, and whether a connection that is
    complete stayed ``unanswered``.
    """
    pairs = len(first)
    opened = [-1] * pairs  # session, −1 none
    known = [0] * pairs
    heard = [0] * pairs
    prefix = [0] * pairs  # packets there without a gap from the first one on
    offset = [0] * pairs
    before = [0] * pairs  # last packet number of an unannounced session
    ahead = [-1] * (pairs * WINDOW)  # session that has the packet, beyond the prefix
    sessions = 0
    for e in range(len(time)):
        p = pair[e]
        w = what[e]
        t = time[e]
        other = reverse[e] if w == ABORT else -1
        for q in (p, other):
            if q >= 0 and opened[q] >= 0 and t - heard[q] > patience[q]:
                s = opened[q]
                opened[q] = -1
                if ending[s] == OPEN:
                    ending[s] = PAUSED
                elif ending[s] == COMPLETE and what[begun[s]] == REQUEST:
                    unanswered[s] = 1
        s = opened[p]
        fresh = known[p] == 0 and t - first[p] <= patience[p]
        known[p] = 1
        session[e] = s
        part[e] = NOTHING
        if w in (BROADCAST, REQUEST, WRONG):
            heard[p] = t
            if s >= 0:
                b = begun[s]
                same = what[b] == w and group[b] == group[e] and size[b] == size[e]
                if same and ending[s] == OPEN and final[s] == b:
                    repeats[s] += 1
                    continue
                if ending[s] == OPEN:
                    ending[s] = REPLACED
                elif ending[s] == COMPLETE and what[b] == REQUEST:
                    unanswered[s] = 1
            s = sessions
            sessions += 1
            opened[p] = s
            session[e] = s
            ending[s] = MALFORMED if w == WRONG else OPEN
            begun[s] = e
            final[s] = e
            prefix[p] = 0
            offset[p] = 0
        elif w == DATA:
            heard[p] = t
            k = offset[p] + number[e] - 1
            packets = 0
            if s >= 0:
                packets = (size[begun[s]] + PACKET - 1) // PACKET
            whole = s >= 0 and ending[s] == COMPLETE
            loose = s >= 0 and (ending[s] == UNANNOUNCED or ending[s] == BEFORE)
            # Nobody asks a broadcast for packets again: only the echo of its last one is no news.
            past = whole and (k >= packets or (what[begun[s]] == BROADCAST and k != packets - 1))
            if s < 0 or past or (loose and number[e] < before[p]):
                s = sessions
                sessions += 1
                opened[p] = s
                session[e] = s
                ending[s] = BEFORE if fresh else UNANNOUNCED
                begun[s] = e
                final[s] = e
                before[p] = number[e]
                offset[p] = 0
                prefix[p] = 0
            elif loose:
                if number[e] == before[p]:
                    repeats[s] += 1
                before[p] = number[e]
            elif ending[s] == OPEN or whole:
                slot = p * WINDOW + k % WINDOW
                if k < 0 or k >= packets:
                    ending[s] = BEYOND
                elif k < prefix[p] or (k - prefix[p] < WINDOW and ahead[slot] == s):
                    repeats[s] += 1
                    part[e] = AGAIN - k
                elif k > prefix[p] and (what[begun[s]] == BROADCAST or k - prefix[p] >= WINDOW):
                    ending[s] = MISSING
                elif room[e] < min(PACKET, size[begun[s]] - PACKET * k):
                    ending[s] = SHORT
                else:
                    part[e] = k
                    final[s] = e
                    ahead[slot] = s
                    while ahead[p * WINDOW + prefix[p] % WINDOW] == s:
                        ahead[p * WINDOW + prefix[p] % WINDOW] = -1
                        prefix[p] += 1
                    if prefix[p] == packets:
                        ending[s] = COMPLETE
        elif w == ABORT:
            session[e] = NOTHING
            for q in (p, other):
                s = opened[q] if q >= 0 else -1
                if s < 0 or (group[begun[s]] >= 0 and group[begun[s]] != group[e]):
                    continue
                session[e] = s
                opened[q] = -1
                if ending[s] == OPEN or (ending[s] == COMPLETE and what[begun[s]] == REQUEST):
                    ending[s] = ABORTED
        elif s < 0 or w == STRAY or (group[begun[s]] >= 0 and group[begun[s]] != group[e]):
            session[e] = NOTHING
        else:
            heard[p] = t
            if w == OFFSET:
                offset[p] = number[e]
            elif w == ACKNOWLEDGED:
                opened[p] = -1
                if ending[s] == OPEN:
                    ending[s] = MISSING
    for p in range(pairs):
        s = opened[p]
        if s >= 0:
            late = last[p] - heard[p] > patience[p]
            if ending[s] == OPEN:
                ending[s] = PAUSED if late else CUT_OFF
            elif ending[s] == COMPLETE and what[begun[s]] == REQUEST and late:
                unanswered[s] = 1
    return sessions
