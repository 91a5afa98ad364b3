"""Dates in headers of logs whose times count from their own start.

The forms are those that recorders write, as python-can's ASC reader knows them (its source, read),
and the TRC format's own description (from memory): days since 30 December 1899.
"""

import gzip
from datetime import UTC, datetime
from pathlib import Path

import can
import pytest

from busplan.capture.written_date import date_written

MORNING = datetime(2026, 11, 30, 8, 15, tzinfo=UTC)


@pytest.mark.parametrize(
    ("line", "moment"),
    [
        ("date Mon Nov 30 08:15:00 2026", MORNING),
        ("date Mon Nov 30 08:15:00.000 2026", MORNING),
        ("date Mon Nov 30 08:15:00.500 am 2026", MORNING.replace(microsecond=500_000)),
        ("date Mon Nov 30 8:15:00 PM 2026", MORNING.replace(hour=20)),
        ("date Mon Nov 30 12:15:00 am 2026", MORNING.replace(hour=0)),
        ("date Mo Dez 1 08:15:00 2025", datetime(2025, 12, 1, 8, 15, tzinfo=UTC)),
        ("date Thu Jan 01 00:00:00.000 1970", None),
        ("date Mon Nov 31 08:15:00 2026", None),
        ("date Mon Nov 30 2026", None),
        ("date Mon Xyz 30 08:15:00 2026", None),
        ("date Mon Nov 30 15:15:00 am 2026", None),
        ("no date", None),
    ],
)
def test_a_date_is_read_as_it_stands_or_not_at_all(
    line: str, moment: datetime | None, tmp_path: Path
) -> None:
    path = tmp_path / "x.asc"
    path.write_text(f"{line}\nbase hex  timestamps absolute\n", encoding="utf-8", newline="\r\n")
    expected = None if moment is None else round(moment.timestamp() * 1e9)
    assert date_written(path) == expected
    packed = tmp_path / "x.asc.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert date_written(packed) == expected


def test_the_start_time_of_a_trc_is_days_since_the_end_of_1899(tmp_path: Path) -> None:
    path = tmp_path / "x.trc"
    path.write_text(";$FILEVERSION=2.1\n;$STARTTIME=46356.34375\n", encoding="utf-8")
    assert date_written(path) == round(MORNING.timestamp() * 1e9)
    assert (MORNING.date() - datetime(1899, 12, 30, tzinfo=UTC).date()).days == 46356


def test_what_pythoncan_writes_is_read(tmp_path: Path) -> None:
    """Its writer puts the local time of writing into the header; zones differ by up to 14 h."""
    path = tmp_path / "x.asc"
    with can.ASCWriter(str(path)) as writer:
        writer(can.Message(timestamp=MORNING.timestamp(), arbitration_id=1, data=b"1"))
    written = date_written(path)
    assert written is not None
    assert abs(written - datetime.now(UTC).timestamp() * 1e9) < 14.1 * 3600 * 1e9


@pytest.mark.parametrize("content", [b"", b"\x1f\x8b\x00", b"\xff" * 100, b"date " * 20_000])
def test_other_content_states_none(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x.asc"
    path.write_bytes(content)
    assert date_written(path) is None
