"""A board's file: every mistake at once and where it stands; unknown signals keep their place."""

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplan.board.auto import automatic, subjects_of
from busplan.board.desk import BoardDesk
from busplan.board.edit import add_limit, add_tile, change_tile, take_off, typed_limits, written
from busplan.board.facts import judged_boards
from busplan.board.model import Board, Tile, free_place, rect_of
from busplan.board.notes import Note, note_block, note_findings, notes_head, parse_notes
from busplan.board.quantities import Quantities
from busplan.board.resolve import resolve_boards
from busplan.capture.beside import append_text, belongs, head_of, notes_path, read_lines, read_text
from busplan.errors import PlanError, UsageError
from busplan.plan.locate import key_lines
from busplan.plan.problems import Problems
from busplan.replay.replay import Replay

S = 1_000_000_000
TILE = '[[board]]\nname = "b"\n[[board.tile]]\nshow = "figure"\nat = [0, 0]\nsize = [4, 4]\n'


def resolved(text: str, replay: Replay):
    return resolve_boards(tomllib.loads(text), Problems("b.toml", key_lines(text)), replay.vehicle)


WRONG = [
    ("boards = 1\n", r"b.toml:1: boards: unknown key or table; did you mean \"board\""),
    ('[[limit]]\nsignal = "current"\n', "needs one of fault_low"),
    ('[[limit]]\nsignal = "current"\nfault_high = "9"\n', "b.toml:3: limit #1.fault_high: must be"),
    (
        '[[limit]]\nsignal = "current"\ncaution_high = 9\nfault_high = 8\n',
        "must be below fault_high",
    ),
    ('[[limit]]\nsignal = "current"\nfault_high = 8\nfor_s = -1\n', "a number of seconds from 0"),
    ('[[limit]]\nsignal = "current"\nfault_high = 8\nwhen = "it rains"\n', "SIGNAL is STATE"),
    (
        '[[limit]]\nsignal = "current"\nfault_high = 8\nwhen = "ContactorState is shut"\n',
        'has no state "shut"',
    ),
    ('[[limit]]\nsignal = "current"\nfault_high = 8\nwhen = "cells above 3"\n', "names 12 signals"),
    ('[[limit]]\nsignal = "current"\nfault_high = 8\nsettle_s = 3\n', "give when too"),
    (TILE, '"signals" is missing'),
    (
        TILE.replace("[0, 0]", "[9, 0]") + 'signals = "current"\n',
        "over the right end of the 12 x 12",
    ),
    (TILE.replace("figure", "clock") + 'signals = "current"\n', 'one of "figure"'),
    (TILE + 'signals = "current"\nrange = [5, 5]\n', "the lowest first"),
    (TILE + 'signals = "current"\ncolour = "red"\n', "unknown key"),
    ("board = 3\n", r"must be \[\[board\]\] tables"),
    ('presets = ["a", "b", "c", "d", "e", "f", "g", "h", "i", "j"]\n', "nine at most"),
]


@pytest.mark.parametrize(("text", "told"), WRONG, ids=range(len(WRONG)))
def test_mistakes_are_located(text: str, told: str, heron: Replay) -> None:
    with pytest.raises(PlanError, match=told.replace("[0, 0]", "")):
        resolved(text, heron)


def test_all_mistakes_are_told_at_once(heron: Replay) -> None:
    with pytest.raises(PlanError) as caught:
        resolved("".join((WRONG[0][0], WRONG[2][0], WRONG[9][0])), heron)
    assert len(caught.value.problems) == 3


def test_selectors_name_signals_quantities_and_loads(heron: Replay) -> None:
    text = TILE + 'signals = ["current", "PumpStatus/Pump*", "load of pack", "gone", "cells"]\n'
    (tile,) = resolved(text, heron).boards[0].tiles
    assert tile.subjects[0] == "pack/battery_master/PackStatus/PackCurrent"
    assert tile.subjects[1:3] == (
        "thermal/pump_1/PumpStatus/PumpSpeed",
        "thermal/pump_1/PumpStatus/PumpPower",
    )
    assert tile.subjects[3] == "load of pack"
    assert len(tile.subjects) == 16
    assert tile.unknown == ("gone",)
    text = TILE + 'signals = "cells"\ntake = "spread"\n'
    (tile,) = resolved(text, heron).boards[0].tiles
    assert tile.subjects == ("spread of cells",)
    limits = resolved('[[limit]]\nsignal = "nowhere/X"\nfault_low = 1\n', heron)
    assert (limits.limits, limits.missing) == ((), ("nowhere/X",))


def test_quantities_are_what_a_plain_look_says(heron: Replay) -> None:
    """The van's cell 6 lies 60 mV below, sensors of B1 rise a quarter as fast."""
    quantities = Quantities(heron)
    for t in (5, 9, 20):
        pack = heron.snapshot(t * S).pack
        assert pack is not None
        assert pack.cells.evenness is not None
        assert pack.sensors.evenness is not None
        held = {
            s: quantities.track(s).at(t * S).value
            for s in (
                "lowest of cells",
                "highest of cells",
                "spread of cells",
                "spread of sensors",
                "mean of sensors",
                "sum of cells",
            )
        }
        assert held["lowest of cells"] == pytest.approx(pack.cells.evenness.minimum, abs=1e-9)
        assert held["highest of cells"] == pytest.approx(pack.cells.evenness.maximum, abs=0.0011)
        assert held["spread of cells"] == pytest.approx(1e3 * pack.cells.evenness.spread, abs=1.1)
        assert held["spread of sensors"] == pytest.approx(pack.sensors.evenness.spread, abs=0.51)
        assert held["mean of sensors"] == pytest.approx(pack.sensors.evenness.mean, abs=0.26)
        assert held["sum of cells"] == pytest.approx(
            pack.cells.value[pack.cells.fresh].sum(), abs=0.02
        )
    assert quantities.track("lowest of a/b/c/d, e/f/g/h") is None
    assert quantities.track("load of nowhere") is None
    load = quantities.track("load of pack")
    assert load is not None
    assert load.at(20 * S).value == pytest.approx(
        100 * heron.snapshot(20 * S).loads[0].now, abs=0.2
    )


def test_signals_of_one_name_are_told_apart(heron: Replay) -> None:
    labels = Quantities(heron).labels(["a/n/M/Speed", "b/n/M/Speed", "b/m/M/Speed", "b/m/M/Other"])
    assert len(set(labels.values())) == 4
    assert labels["b/m/M/Other"] == "Other"


def test_an_automatic_board_shows_what_is_there(heron: Replay) -> None:
    made = automatic(heron)
    shown = subjects_of(made.boards)
    assert "lowest of cells" in shown
    assert "load of pack" in shown
    judged = judged_boards(heron, None)
    for board in made.boards:
        state = judged.at(board, 20 * S)
        assert not [t for t in state.tiles if t.tile.unknown]
        spots = [
            (x, y)
            for t in board.tiles
            for x in range(t.at[0], t.at[0] + t.size[0])
            for y in range(t.at[1], t.at[1] + t.size[1])
        ]
        assert len(spots) == len(set(spots))


@settings(max_examples=30)
@given(st.integers(20, 300), st.integers(10, 100))
def test_tiles_touch_and_never_overlap_at_any_size(columns: int, rows: int) -> None:
    tiles = [Tile("figure", (x, y), (3, 4)) for x in range(0, 12, 3) for y in range(0, 12, 4)]
    rects = [rect_of(t, columns, rows) for t in tiles]
    taken = [
        (x, y) for r in rects for x in range(r.x, r.x + r.columns) for y in range(r.y, r.y + r.rows)
    ]
    assert len(taken) == len(set(taken))
    assert all(0 <= x < columns and 0 <= y < rows for x, y in taken)
    assert {y for _, y in taken} == set(range(rows))


def test_the_first_free_place_covers_nothing() -> None:
    board = Board("b", (Tile("figure", (0, 0), (4, 4)), Tile("map", (4, 0), (8, 6))))
    assert free_place(board, (4, 4)) == (0, 4)
    assert free_place(board, (12, 6)) == (0, 6)
    assert free_place(board, (12, 7)) is None


@settings(max_examples=40)
@given(st.text(max_size=60), st.text(max_size=10))
def test_notes_come_back_as_they_were_written(text: str, by: str) -> None:
    text = text.encode("utf-8", "replace").decode()
    by = by.encode("utf-8", "replace").decode()
    note = Note(5 * S, text, by, "", 1_000 * S + 5 * S)
    written = notes_head("a.log", 3, "00") + note_block(note, epoch=True)
    back = parse_notes(written, 1_000 * S)
    assert back.notes == (note,)
    assert (back.capture, back.head_bytes) == ("a.log", 3)
    assert written.replace("\n", "").isprintable()


@pytest.mark.parametrize(
    "text", ["[[note]]\n", "[[note]]\nt_ns = 1.5\ntext = 'x'\n", "note = 3", "x ="]
)
def test_notes_that_are_none_are_one_error(text: str) -> None:
    with pytest.raises(UsageError):
        parse_notes(text, 0)


def test_notes_belong_to_the_capture_they_were_made_beside(tmp_path) -> None:
    capture = tmp_path / "run.log"
    capture.write_text("(1.0) can0 123#00\n")
    desk = BoardDesk(None, capture)
    desk.note(2 * S, "heater on", 10 * S, epoch=True)
    size, digest = head_of(capture)
    capture.write_text("(1.0) can0 123#00\n(2.0) can0 123#01\n")  # a recording grows
    desk.note(1 * S, "bled C2", 10 * S, epoch=True)
    again = BoardDesk(None, capture)
    again.load(10 * S)
    assert [n.text for n in again.notes] == ["bled C2", "heater on"]
    assert belongs(capture, size, digest)
    capture.write_text("(1.0) can0 777#00\n")
    assert not belongs(capture, size, digest)
    kept = read_text(notes_path(capture))
    assert kept.count("[[note]]") == 2
    assert kept.count("head_sha256") == 1
    assert [f.where.time_ns for f in note_findings(again.notes)] == [1 * S, 2 * S]


def test_what_cannot_be_written_is_one_error(tmp_path) -> None:
    with pytest.raises(UsageError, match="cannot write"):
        append_text(tmp_path / "no" / "x.toml", "a")
    (tmp_path / "x").write_text('{"a": 1}\n[1]\nnothing\n')
    assert read_lines(tmp_path / "x") == [{"a": 1}]


EDITED = """# our van's board
presets = ["heater on"]  # keys

[[limit]]  # of the pack
signal = "current"
fault_high = 70   # by the fuse

[[board]]
name = "road"
[[board.tile]]  # the first
show = "figure"
signals = "current"
at = [0, 0]
size = [4, 4]
"""


def test_changes_keep_comments_and_what_nobody_touched(heron: Replay) -> None:
    text = change_tile(EDITED, 0, 0, {"at": [2, 3], "title": "amps"})
    text = add_tile(text, 0, {"show": "map", "signals": ["cells"], "at": [6, 0], "size": [6, 6]})
    text = add_limit(text, {"signal": "current", "caution_high": 60.0})
    text = add_limit(text, {"signal": "cells", "fault_low": 3.1})
    for kept in ("# our van's board", "# keys", "# of the pack", "# by the fuse", "# the first"):
        assert kept in text
    boards = resolved(text, heron)
    (one, two) = boards.boards[0].tiles
    assert (one.at, one.title, two.show) == ((2, 3), "amps", "map")
    ends = {(x.subject.rsplit("/", 1)[-1], x.weight.word, x.value) for x in boards.limits}
    assert {("PackCurrent", "fault", 70.0), ("PackCurrent", "caution", 60.0)} < ends
    assert len(ends) == 10
    assert len(resolved(take_off(text, 0, 0), heron).boards[0].tiles) == 1
    assert change_tile(change_tile(EDITED, 0, 0, {"title": "x"}), 0, 0, {"title": None}) == EDITED


def test_an_automatic_board_written_out_reads_back_as_itself(heron: Replay) -> None:
    made = automatic(heron)
    back = resolved(written(made), heron)
    assert [b.name for b in back.boards] == [b.name for b in made.boards]
    for one, other in zip(back.boards, made.boards, strict=True):
        assert [t.subjects for t in one.tiles] == [t.subjects for t in other.tiles]
        assert [(t.show, t.at, t.size) for t in one.tiles] == [
            (t.show, t.at, t.size) for t in other.tiles
        ]


def test_limits_as_typed() -> None:
    typed = typed_limits("x", "caution_high=60 for_s=2 when=PumpState is Running")
    assert typed == {
        "signal": "x",
        "caution_high": 60.0,
        "for_s": 2.0,
        "when": "PumpState is Running",
    }
    for wrong in ("", "for_s=2", "fault_high=", "fault_high=x", "high=3", "fault_high=nan"):
        with pytest.raises(UsageError):
            typed_limits("x", wrong)
