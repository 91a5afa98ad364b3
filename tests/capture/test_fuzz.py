"""Damaged files: frames plus counted problems, or one of our errors; never anything else."""

from __future__ import annotations

import gzip
import warnings
from pathlib import Path

import numpy as np
import pytest
from capture.test_formats import rows_for, write
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.damage import damaged, untold
from support.formats import formats

from busplan.capture.formats import FORMATS, Format
from busplan.capture.read import read_capture
from busplan.errors import CaptureError
from busplan.frames.kinds import ERROR, EXTENDED, FD, FD_LENGTHS, REMOTE
from busplan.frames.table import FrameTable

FLIPS = 150


def check_columns(table: FrameTable) -> None:
    """Whatever was read is a sound table of frames that could exist."""
    n = len(table)
    remote = (table.flags & REMOTE) != 0
    fd = (table.flags & FD) != 0
    wide = (table.flags & (EXTENDED | ERROR)) != 0
    stored = np.where(remote, 0, table.length).astype(np.int64)
    assert all(len(c) == n for c in (table.time_ns, table.network, table.identifier, table.start))
    assert (table.start + stored <= len(table.payload)).all()
    assert (table.length[~fd] <= 8).all()
    assert np.isin(table.length[fd & ~remote], FD_LENGTHS).all()
    assert (table.identifier[~wide] <= 0x7FF).all()
    assert (table.identifier <= 0x1FFFFFFF).all()
    assert (table.network < len(table.networks)).all()
    assert sum(len(rows) for rows in table.groups.values()) == n - int(
        ((table.flags & ERROR) != 0).sum()
    )


def read_or_refuse(path: Path) -> FrameTable | None:
    try:
        capture = read_capture(path, cache=False)
    except CaptureError:
        return None
    check_columns(capture.frames)
    return capture.frames


@pytest.mark.parametrize("kind", formats())
def test_flipped_bytes_in_any_format(kind: Format, tmp_path: Path) -> None:
    data = write(tmp_path / f"whole{kind.suffix}", rows_for(kind)).read_bytes()
    rng = np.random.default_rng(8)
    path = tmp_path / f"bad{kind.suffix}"
    # A library's half-made objects may grumble when they are collected; that is not our output.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(FLIPS if kind.suffix != ".mf4" else 40):
            bad = bytearray(data)
            for at in rng.integers(0, len(bad), rng.integers(1, 4)):
                bad[at] ^= 1 << rng.integers(0, 8)
            path.write_bytes(bad)
            read_or_refuse(path)


@given(st.binary(max_size=300))
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_anything_under_any_name(tmp_path: Path, content: bytes) -> None:
    for kind in FORMATS:
        path = tmp_path / f"any{kind.suffix}"
        path.write_bytes(content)
        read_or_refuse(path)


text_like = st.lists(
    st.sampled_from(
        [
            "(",
            ")",
            "1700000000.000001",
            " ",
            "can0",
            "123",
            "#",
            "##",
            "R",
            "1FFFFFFF",
            "00",
            "\n",
            "\r\n",
            "G",
            ".",
            "(1.0) can0 123#00\n",
            "\0",
            "é",
        ]
    ),
    max_size=60,
).map("".join)


@given(text_like, st.integers(0, 40), st.booleans())
@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_text_logs_of_scrambled_pieces(tmp_path: Path, text: str, cut: int, packed: bool) -> None:
    data = ("(1.0) can0 123#00\n" * 3 + text).encode()
    data = gzip.compress(data) if packed else data
    path = tmp_path / "any.log"
    path.write_bytes(data[: len(data) - cut])
    read_or_refuse(path)


asc_like = st.lists(
    st.sampled_from(
        [
            "1.5 ",
            " 1",
            " CANFD",
            " 123",
            " 1abcdef0x",
            " Rx",
            " Tx",
            " d",
            " r",
            " 8",
            " 12",
            " 0",
            " 1",
            " 00 11 22",
            " G",
            "\n",
            "\r\n",
            "x",
            ".",
            "é",
            "ErrorFrame",
            "End TriggerBlock",
            "begin triggerblock",
            "// ",
            "1.5 1 123 Rx d 2 00 11\n",
        ]
    ),
    max_size=60,
).map("".join)


@given(asc_like, st.integers(0, 40), st.booleans(), st.sampled_from(["hex", "dec"]))
@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_asc_of_scrambled_pieces(
    tmp_path: Path, text: str, cut: int, packed: bool, base: str
) -> None:
    data = (f"date x\nbase {base}\n" + "1.5 1 123 Rx d 2 00 11\n" * 3 + text).encode()
    data = gzip.compress(data) if packed else data
    path = tmp_path / "any.asc"
    path.write_bytes(data[: len(data) - cut])
    read_or_refuse(path)


def test_every_line_is_a_frame_or_counted(tmp_path: Path) -> None:
    """Flips inside a text log: frames and lines set aside add up to the lines of the file."""
    line = b"(1700000000.000001) can0 123#0011223344556677\n"
    rng = np.random.default_rng(9)
    path = tmp_path / "a.log"
    for _ in range(100):
        bad = bytearray(line * 40)
        for at in rng.integers(0, len(bad), 6):
            bad[at] ^= 1 << rng.integers(0, 8)
        path.write_bytes(bad)
        capture = read_capture(path)
        wrong = sum(
            int(f.figures[0].value)
            for f in capture.findings
            if f.code == "capture-entry-unreadable"
        )
        whole = bytes(bad).rpartition(b"\n")[0] + b"\n"
        blank = sum(not part.strip(b"\r") for part in whole[:-1].split(b"\n"))
        assert len(capture.frames) + wrong == whole.count(b"\n") - blank


@pytest.mark.parametrize("suffix", [".asc", ".trc", ".csv"])
def test_every_line_of_other_text_formats_is_a_frame_or_counted(
    tmp_path: Path, suffix: str
) -> None:
    """As above; what begins like a comment or a header after the damage may go uncounted."""
    kind = next(f for f in FORMATS if f.suffix == suffix)
    rows = [(1000 * k, "can0", 0x123, 0, 8, bytes(range(8))) for k in range(60)]
    whole = write(tmp_path / f"whole{suffix}", rows).read_bytes()
    frames = len(read_capture(tmp_path / f"whole{suffix}").frames)
    body = whole.rindex(b"measurement") if suffix == ".asc" else whole.index(b"\n", len(whole) // 3)
    rng = np.random.default_rng(10)
    path = tmp_path / f"a{suffix}"
    for _ in range(60):
        bad = bytearray(whole)
        for at in rng.integers(body + 12, len(bad) - 20, 6):
            bad[at] ^= 1 << rng.integers(0, 8)
        path.write_bytes(bad)
        capture = read_capture(path)
        counted = sum(
            int(f.figures[0].value)
            for f in capture.findings
            if f.code in {"capture-entry-unreadable", "capture-entry-not-a-frame"}
        )
        lines = len(bad.split(b"\n")) - len(whole.split(b"\n"))
        remarks = bad.count(b"\n;") - whole.count(b"\n;") if suffix == ".trc" else 0
        assert len(capture.frames) + counted == frames + lines - remarks, kind


@pytest.mark.parametrize("kind", formats())
def test_damage_is_told_by_the_command(kind: Format, tmp_path: Path) -> None:
    path = write(tmp_path / f"whole{kind.suffix}", rows_for(kind))
    data, whole = path.read_bytes(), len(read_capture(path, cache=False).frames)
    rng = np.random.default_rng(13)
    path = tmp_path / f"bad{kind.suffix}"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(8):
            path.write_bytes(damaged(data, rng))
            assert not untold(path, whole)


@pytest.mark.parametrize("suffix", [".asc", ".trc", ".csv", ".log"])
def test_lines_that_become_one_are_told(tmp_path: Path, suffix: str) -> None:
    """Each line end lost, alone or with what is around it; a healthy file says nothing of it."""
    kind = next(f for f in FORMATS if f.suffix == suffix)
    path = tmp_path / f"a{suffix}"
    whole = write(path, rows_for(kind)).read_bytes()
    healthy = read_capture(path)
    codes = {f.code for f in healthy.findings}
    assert "capture-lines-joined" not in codes
    ends = [at for at, byte in enumerate(whole[:-1]) if byte == 10]
    for end, following in zip(ends, [*ends[1:], len(whole)], strict=False):
        half = (following - end) // 2
        for first, last in ((end, end + 1), (end - 3, end + 2), (end, end + half)):
            path.write_bytes(whole[:first] + whole[last:])
            try:
                capture = read_capture(path)
            except CaptureError:
                continue
            told = {f.code for f in capture.findings} - codes
            assert len(capture.frames) >= len(healthy.frames) or told, (first, last)


def test_trc_numbers_that_jump_are_told(tmp_path: Path) -> None:
    """Whole lines that are gone leave nothing but their numbers."""
    kind = next(f for f in FORMATS if f.suffix == ".trc")
    path = tmp_path / "a.trc"
    lines = write(path, rows_for(kind)).read_bytes().splitlines(keepends=True)
    assert "capture-numbers-jump" not in {f.code for f in read_capture(path).findings}
    frames = [i for i, line in enumerate(lines) if not line.startswith(b";")]
    for gone in (frames[1], frames[-2]):
        path.write_bytes(b"".join(line for i, line in enumerate(lines) if i != gone))
        (found,) = (f for f in read_capture(path).findings if f.code == "capture-numbers-jump")
        assert "1 number missing" in found.summary
