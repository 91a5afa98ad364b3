"""The tables of all rooms put together, and finding entries in them."""

from __future__ import annotations

from collections.abc import Mapping
from fnmatch import fnmatchcase

from busplan.finding_codes import (
    behaviour,
    bench,
    bench_j1939,
    bench_why,
    board,
    capture,
    checks,
    commission,
    decode,
    definitions,
    live,
    pack,
    plan,
    replay,
    routes,
    timing,
    traffic,
    transport,
)
from busplan.finding_codes.entry import FindingCode

ROOMS: Mapping[str, str] = {
    "definitions": "reading definition files",
    "plan": "reading a plan",
    "checks": "a plan held against itself",
    "timing": "the bus simulation held against the proof",
    "capture": "reading captures",
    "decode": "decoding a capture",
    "transport": "messages of several frames",
    "traffic": "loads and identifiers of a capture",
    "replay": "a whole capture held against its plan",
    "pack": "the pack judged by a capture",
    "behaviour": "signals held against each other over time",
    "bench": "one node held against its definition",
    "commission": "a build held against its commissioning",
    "live": "live buses: recording and asking",
    "board": "limits of boards, and notes",
}
"""Rooms that yield findings, and on what occasion, in the order they are shown."""

_TABLES = (
    definitions.CODES,
    plan.CODES,
    checks.CODES,
    routes.CODES,
    timing.CODES,
    capture.CODES,
    decode.CODES,
    transport.CODES,
    traffic.CODES,
    replay.CODES,
    pack.CODES,
    behaviour.CODES,
    bench.CODES,
    bench_j1939.CODES,
    bench_why.CODES,
    commission.CODES,
    live.CODES,
    board.CODES,
)

CODES: Mapping[str, FindingCode] = {entry.code: entry for table in _TABLES for entry in table}
"""Every code, room by room."""


def matching(pattern: str) -> tuple[FindingCode, ...]:
    """The entries a pattern names: ``all``, a code, or one with wildcards (``pack-*``).

    Case does not count. Empty when there is none.
    """
    wanted = "*" if pattern == "all" else pattern.lower()
    return tuple(entry for code, entry in CODES.items() if fnmatchcase(code, wanted))
