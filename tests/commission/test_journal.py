"""The journal: nothing in it can be changed unseen, and no crash makes it unusable."""

import errno
import json
import os
import signal
import subprocess
import sys
from functools import partial
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplan.board.notes import Note
from busplan.commission.entry import (
    FIRST,
    LONGEST_LINE,
    Journal,
    Result,
    Saying,
    next_entry,
    notes_kept,
    read_journal,
)
from busplan.commission.journal_file import append_entry, load_journal
from busplan.errors import UsageError

PACKAGE = Path(__file__).parents[2]


def said(text: str = "looked at") -> Saying:
    return Saying("looked", (Result("leaks", "proven", text, {"value": 1.5}),))


def test_whatever_was_noted_an_entry_can_be_read_again(tmp_path: Path) -> None:
    path = tmp_path / "build.journal"
    fact = {"name": "a.log", "sha256": "0" * 64, "bytes": 1, "from": "", "span_s": 1.0}
    noted = notes_kept([Note(10**9, "\x1b\u202e" * 1000, "A. Tester")] * 20_000)
    assert 0 < len(noted["notes"]) < 500
    assert len(noted["notes"]) + noted["notes_left_out"] == 20_000
    whole = Saying("capture", captures=(fact | noted,) * 30)
    time = "2026-05-04T08:00:00+00:00"
    append_entry(path, partial(next_entry, said=whole, time=time, who=""))
    journal = load_journal(path)
    assert (journal.broken, journal.torn) == ((), b"")
    assert journal.entries[0].captures[29]["notes"] == noted["notes"]
    before = path.read_bytes()
    with pytest.raises(UsageError, match="more than a journal keeps"):
        add(path, "x" * LONGEST_LINE)
    assert path.read_bytes() == before


def add(path: Path, text: str = "looked at", who: str = "A. Tester") -> Journal:
    time = "2026-05-04T08:00:00+00:00"
    return append_entry(path, partial(next_entry, said=said(text), time=time, who=who))


@pytest.fixture
def three(tmp_path: Path) -> Path:
    path = tmp_path / "build.journal"
    for text in ("one", "two \u2028 Ω \x1b[2J", "three"):
        add(path, text)
    return path


def test_entries_come_back_and_hang_together(three: Path) -> None:
    journal = load_journal(three)
    assert [e.number for e in journal.entries] == [1, 2, 3]
    assert journal.entries[1].results[0].text == "two \u2028 Ω \x1b[2J"
    assert journal.whole
    previous = FIRST
    for line in three.read_bytes().splitlines():
        # Worked out here anew, from the documented form: the SHA-256 of the other keys, sorted.
        value = json.loads(line)
        assert int(value.pop("#")) == len(line)
        stated = value.pop("hash")
        assert value["previous"] == previous
        assert stated == sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()
        previous = stated
    assert journal.last == previous


def test_every_changed_byte_is_found(three: Path) -> None:
    data = three.read_bytes()
    for place in range(len(data)):
        for other in (data[place] ^ 1, 0x20, 0x0A, 0x7D):
            if other == data[place]:
                continue
            changed = data[:place] + bytes([other]) + data[place + 1 :]
            assert read_journal(changed).broken, (place, other)


@pytest.mark.parametrize("number", [b"NaN", b"Infinity", b"1e999"])
def test_a_number_that_no_entry_can_hold_is_a_change(three: Path, number: bytes) -> None:
    journal = read_journal(three.read_bytes().replace(b"1.5", number, 1))
    assert journal.broken[0] == "line 1 has been changed: it is no entry"
    assert len(journal.entries) == 2


def test_a_line_taken_out_or_moved_is_found(three: Path) -> None:
    one, two, last = three.read_bytes().splitlines(keepends=True)
    for changed in (two + last, one + last, two + one + last, one + one + two + last):
        assert read_journal(changed).broken
    assert not read_journal(one + two + last).broken


def test_cut_at_every_byte_it_goes_on(tmp_path: Path, three: Path) -> None:
    data = three.read_bytes()
    first = data.index(b"\n") + 1
    path = tmp_path / "cut.journal"
    for size in range(first, len(data), 7):
        path.write_bytes(data[:size])
        journal = load_journal(path)
        assert not journal.broken
        after = add(path, "after the crash")
        assert not after.broken
        assert len(after.entries) == len(journal.entries) + 1
        assert path.read_bytes().startswith(data[:size])
        # A second crash right after the first.
        path.write_bytes(path.read_bytes()[: size + 5])
        again = add(path, "again")
        assert not again.broken
        assert again.entries[-1].results[0].text == "again"


def test_what_was_cut_short_cannot_be_changed_afterwards(three: Path) -> None:
    data = three.read_bytes()
    three.write_bytes(data[:-40])
    add(three, "after")
    whole = three.read_bytes()
    assert not read_journal(whole).broken
    place = len(data) - 60
    changed = whole[:place] + b"#" + whole[place + 1 :]
    assert read_journal(changed).broken


def test_nothing_is_added_to_a_changed_journal(three: Path) -> None:
    data = three.read_bytes().replace(b"three", b"threo")
    three.write_bytes(data)
    with pytest.raises(UsageError, match="has been changed"):
        add(three)
    assert three.read_bytes() == data


def test_a_full_disk_takes_nothing_and_leaves_nothing(
    three: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = three.read_bytes()
    written = os.write

    def full(handle: int, line: bytes) -> int:
        if len(line) > 50:
            return written(handle, line[:50])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(UsageError, match="No space left"):
        add(three)
    assert three.read_bytes() == data
    monkeypatch.undo()
    assert not add(three).broken


WRITER = """
import sys
from functools import partial
from pathlib import Path
from busplan.commission.entry import Result, Saying, next_entry
from busplan.commission.journal_file import append_entry
path, who, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
for number in range(count):
    said = Saying("looked", (Result("leaks", "proven", f"{who} {number} " + "x" * 2000),))
    append_entry(path, partial(next_entry, said=said, time="now", who=who))
    print(number, flush=True)
"""


def writer(path: Path, who: str, count: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, path, who, str(count)],
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(PACKAGE)},
    )


def test_two_programs_writing_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "build.journal"
    both = [writer(path, who, 25) for who in ("one", "two")]
    for process in both:
        process.communicate()
        assert process.returncode == 0
    journal = load_journal(path)
    assert not journal.broken
    assert sorted(e.who for e in journal.entries) == ["one"] * 25 + ["two"] * 25


@pytest.mark.skipif(os.name != "posix", reason="kills as POSIX systems do")
def test_killed_at_any_moment_it_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "build.journal"
    told = 0
    for lines in (1, 3, 6):
        process = writer(path, "killed", 100_000)
        assert process.stdout is not None
        for _ in range(lines):
            process.stdout.readline()
        process.send_signal(signal.SIGKILL)
        told += lines
        process.communicate()
        journal = load_journal(path)
        assert not journal.broken
        assert len(journal.entries) >= told
        told = len(add(path).entries)


@given(st.binary(max_size=400))
@settings(max_examples=200)
def test_anything_at_all_can_be_read(data: bytes) -> None:
    journal = read_journal(data)
    assert not journal.entries
    assert journal.broken or b"\n" not in data.strip(b"\n") or journal.torn


def test_entries_that_cannot_be_are_refused() -> None:
    with pytest.raises(UsageError, match="no entry 1"):
        next_entry(Journal(), Saying("corrected", about=1), time="", who="A")
    with pytest.raises(UsageError, match="--by"):
        next_entry(Journal(), said(), time="", who="")


def test_a_blank_name_is_none() -> None:
    with pytest.raises(UsageError, match="say who says so"):
        next_entry(Journal(), said(), time="now", who="  ")
