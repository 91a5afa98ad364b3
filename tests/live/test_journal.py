"""What a journal tells becomes findings; what merely happened does not."""

import json
from datetime import UTC, datetime
from pathlib import Path

from busplan.findings import Weight
from busplan.live.journal import Journal, JournalKind, journal_findings, losses

LOSSES = {
    JournalKind.SET_ASIDE: (
        {"network": "drive", "frames": 3, "reason": "its time is -1.0"},
        "set aside: 3 (the first: its time is -1.0)",
    ),
    JournalKind.READER_LOST: (
        {"network": "drive", "reason": "it has ended"},
        "reading the interface broke off: it has ended",
    ),
    JournalKind.STALLED: ({"network": "drive", "gap_s": 30.5}, "did not listen for 30.5 s"),
    JournalKind.FILE_GONE: (
        {"file": "a.log", "now": "b.log", "lost": 0},
        "a.log was removed while it was written; going on in b.log",
    ),
    JournalKind.INTERFACE_GONE: ({"network": "drive", "reason": "unplugged"}, "unplugged"),
    JournalKind.INTERFACE_BACK: ({"network": "drive", "gap_s": 1.5}, "back after 1.5 s"),
    JournalKind.NOTHING_HEARD: ({"network": "drive", "seconds": 5.0}, "within 5 s"),
    JournalKind.OVERFLOW: ({"network": "drive", "times": 3}, "(times: 3)"),
    JournalKind.DROPPED: ({"frames": 12}, "in no file: 12"),
    JournalKind.CONTROLLER: ({"network": "drive", "state": "bus off"}, "bus off"),
    JournalKind.CLOCK_JUMPED: ({"seconds": -3.25}, "jumped by -3.25 s"),
    JournalKind.DISK_TROUBLE: ({"trouble": "no space left"}, "no space left"),
    JournalKind.DISK_BACK: ({}, "takes data again"),
    JournalKind.NO_NEXT_FILE: ({"trouble": "refused"}, "refused"),
    JournalKind.FAILED: ({"reason": "ValueError"}, "has ended: ValueError"),
}
HAPPENED = {
    JournalKind.STARTED,
    JournalKind.ENDED,
    JournalKind.NEXT_FILE,
    JournalKind.SENDING,
    JournalKind.PROMPT,
    JournalKind.ANSWER,
}


def test_every_kind_either_tells_of_trouble_or_merely_happened() -> None:
    assert set(LOSSES) | HAPPENED == set(JournalKind)
    assert not set(LOSSES) & HAPPENED


def test_trouble_becomes_a_finding_at_its_time_with_its_figures(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    journal = Journal(path)
    for kind, (details, _) in LOSSES.items():
        journal.note(kind, **details)
    for kind in HAPPENED:
        journal.note(kind)
    # Read back from the file: the words in it name the kinds.
    entries = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    first = datetime.fromisoformat(entries[0]["at"]).astimezone(UTC)
    origin_ns = round(first.timestamp() * 1e9) - 2_000_000_000
    findings = journal_findings(entries, origin_ns)
    assert len(findings) == len(LOSSES)
    for finding, (details, words) in zip(findings, LOSSES.values(), strict=True):
        assert words in finding.summary
        assert finding.where.network == details.get("network")
    assert findings[0].where.time_ns is not None
    assert 1_990_000_000 < findings[0].where.time_ns < 2_010_000_000
    heavy = {f.code for f in findings if f.weight is Weight.FAULT}
    assert heavy == {
        "interface-gone",
        "disk-trouble",
        "listening-failed",
        "reader-lost",
        "file-gone",
    }


def test_before_the_first_frame_everything_stands_at_its_moment() -> None:
    journal = Journal(None)
    journal.note(JournalKind.DROPPED, frames=1)
    assert [f.where.time_ns for f in journal_findings(journal.entries, None)] == [0]


def test_a_computer_that_stood_still_lost_all_of_that_time() -> None:
    """A sleep shows as a stall, or as a clock that jumped ahead."""
    at = "2026-05-04T10:01:00+00:00"
    minute, end_ns = 60 * 10**9, round(datetime.fromisoformat(at).timestamp()) * 10**9
    for entry in (
        {"what": "stalled", "network": "pack", "gap_s": 60.0},
        {"what": "clock jumped", "seconds": 60.0},
    ):
        (loss,) = losses([{"at": at, **entry}], 10**9)
        assert loss.from_ns == end_ns - minute - 10**9
        assert loss.to_ns >= end_ns
    (loss,) = losses([{"at": at, "what": "clock jumped", "seconds": -60.0}], 10**9)
    assert loss.from_ns == end_ns - 10**9
