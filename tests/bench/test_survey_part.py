"""A part without a definition: from frames to a draft that cantools reads, and a record on paper.

The draft is held against what was planted, and read back by cantools, a general DBC library.
"""

import json
from pathlib import Path

import cantools
import pytest
from support.bench_nodes import Bench, good_unit
from support.command import busplan
from support.recording_bus import KIND, RememberingBus, install

LOG = "({t:.6f}) can0 {i:03X}#{d} R\n"


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    """The good unit's frames as a text log (format: candump)."""
    rows = sorted(Bench(good_unit()).rows(40), key=lambda r: r.time_ns)
    path = tmp_path / "unit.log"
    path.write_text(
        "".join(
            LOG.format(t=1.7e9 + r.time_ns / 1e9, i=r.identifier, d=r.data.hex().upper())
            for r in rows
        ),
        encoding="ascii",
    )
    return path


def test_a_draft_and_a_record_come_of_one_call(tmp_path: Path, capture: Path) -> None:
    out = tmp_path / "out"
    run = busplan(
        *("bench", "mystery", "--survey", "--capture", capture, "--record", out),
        *("--serial", "X-7", "--firmware", "unknown"),
    )
    assert run.code == 0, run.err
    assert "mystery: 3 identifiers in 39.8 s, no definition to hold them against" in run.out
    kept = {p.suffix: p for p in out.iterdir()}
    assert set(kept) == {".json", ".md", ".html", ".dbc"}
    draft = cantools.database.load_file(kept[".dbc"])
    messages = {m.frame_id: m for m in draft.messages}
    assert {i: (m.length, m.cycle_time) for i, m in messages.items()} == {
        0x120: (8, 100),
        0x121: (8, 200),
        0x700: (1, 1000),
    }
    status = {s.name: (s.start, s.length) for s in messages[0x120].signals}
    assert status["Counter_4"] == (4, 4)
    assert status["Checksum_56"] == (56, 8)
    document = json.loads(kept[".json"].read_text("utf-8"))
    assert (document["serial"], document["draft"]) == ("X-7", kept[".dbc"].name)
    assert "High voltage can kill" in kept[".md"].read_text("utf-8")


def test_the_draft_is_a_definition_the_part_passes_by_nobody_but_a_person(
    tmp_path: Path, capture: Path
) -> None:
    out = tmp_path / "out"
    busplan("bench", "mystery", "--survey", "--capture", capture, "--record", out)
    (draft,) = out.glob("*.dbc")
    run = busplan("bench", "mystery", "--part", draft, "--capture", capture)
    assert "message-undefined" not in run.out
    assert "message-missing" not in run.out


def test_a_live_survey_sends_nothing(tmp_path: Path) -> None:
    install()
    import can

    RememberingBus.incoming.append(
        can.Message(arbitration_id=0x123, is_extended_id=False, data=bytes(8))
    )
    run = busplan(
        *("bench", "mystery", "--survey", "-i", f"{KIND}:x", "--seconds", "0.3"),
        *("--record", tmp_path),
    )
    assert run.code == 0, run.err
    assert "0x123" in run.out
    assert RememberingBus.sent == []
    assert {p.suffix for p in tmp_path.iterdir()} >= {".log", ".dbc", ".html"}


@pytest.mark.parametrize(
    "more",
    [("--transmit",), ("--plan", "x.toml"), ("--acknowledge",)],
)
def test_a_survey_only_listens(capture: Path, more: tuple[str, ...]) -> None:
    run = busplan("bench", "mystery", "--survey", "--capture", capture, *more)
    assert run.code == 3
    assert "--survey" in run.err
