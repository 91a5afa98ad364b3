"""Boards on screen: every kind of tile at three sizes and in every state, calm without colours of
alarm, colours that can be told apart, keys.
"""

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from rich.color import ColorSystem
from rich.style import Style
from rich.terminal_theme import TerminalTheme
from support.pilot import FakeNow, S, screen_text, settle
from support.van import make_replay
from syrupy.assertion import SnapshotAssertion

from busplan.board.desk import BoardDesk
from busplan.board.facts import judged_boards
from busplan.board.notes import parse_notes
from busplan.board.resolve import resolve_boards
from busplan.board.spec import KINDS
from busplan.board.state import Judged
from busplan.capture.beside import notes_path, read_text
from busplan.findings import Weight
from busplan.plan.problems import Problems
from busplan.replay.replay import Replay
from busplan.screens import look
from busplan.screens.app import ReplayApp
from busplan.screens.board_view import BoardSheet
from busplan.text.big import best_height, draw_big, width_of
from busplan.text.board_draw import Shown, draw_board, tile_places
from busplan.text.canvas import Canvas
from busplan.text.dots import Pen
from busplan.text.runs import text
from busplan.text.scale import Gauge, draw_bar, draw_dial
from busplan.text.tiles import Look

from .test_snapshots import TextFile

STATES = {"calm": 5, "caution": 13, "fault": 25, "stale": 25}
SHAPES = {"small": (20, 6), "middle": (38, 11), "large": (66, 18)}
SHOWN = {
    "word": "ContactorState",
    "lanes": "ContactorState",
    "map": "cells",
    "heat": "cells",
    "alarms": "",
    "notes": "",
}
LIMIT = '[[limit]]\nsignal = "current"\ncaution_high = 60\nfault_high = 70\nback_by = 1\n'


@pytest.fixture(scope="module")
def heron() -> Replay:
    return make_replay(((4, 4), (4,)), 30.0, sag_v=0.0)


@pytest.fixture(scope="module")
def gone(heron: Replay) -> Replay:
    """The same, but nothing came after 20 s."""
    table = heron.table
    until = np.flatnonzero(table.time_ns < table.origin_ns + 20 * S)
    return Replay.of(heron.vehicle, table.take(until), source="heron.log", until_ns=30 * S)


def board_of(kind: str, replay: Replay) -> Judged:
    signals = SHOWN.get(kind, "current")
    file = (
        f'{LIMIT}[[board]]\nname = "{kind}"\n[[board.tile]]\nshow = "{kind}"\nat = [0, 0]\n'
        "size = [12, 12]\n"
    )
    if signals:
        file += f'signals = "{signals}"\n'
    boards = resolve_boards(tomllib.loads(file), Problems("b.toml", {}), replay.vehicle)
    return judged_boards(replay, boards)


def drawn(judged: Judged, t_ns: int, size: tuple[int, int], pen: Pen = Pen()) -> Canvas:
    replay = judged.quantities.replay
    state = judged.at(judged.boards.boards[0], t_ns)
    shown = Shown(judged, state, replay, replay.snapshot(t_ns))
    return draw_board(shown, Look(t_ns, pen), *size)


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_in_each_state_and_size(
    kind: str, heron: Replay, gone: Replay, snapshot: SnapshotAssertion
) -> None:
    pages = []
    for state, second in STATES.items():
        judged = board_of(kind, gone if state == "stale" else heron)
        for shape, size in SHAPES.items():
            canvas = drawn(judged, second * S, size)
            pages.append(f"{kind} {state} {shape}")
            pages += [text(line) for line in canvas.lines()]
    assert "\n".join(pages) + "\n" == snapshot(extension_class=TextFile)


ALARMING = ("plate-", "head-fault", "head-white", "tile-red", "-lit", "fault", "caution")
DULL = ("zone-caution", "zone-fault", "limit-caution", "limit-fault", "dial-caution", "dial-fault")


@pytest.mark.parametrize("kind", KINDS)
def test_a_calm_board_has_no_colour_of_alarm_in_any_cell(kind: str, heron: Replay) -> None:
    canvas = drawn(board_of(kind, heron), 5 * S, (80, 24))
    roles = {name for line in canvas.lines() for _, role in line for name in role.split("+")}
    loud = {r for r in roles if any(a in r for a in ALARMING)} - set(DULL)
    loud -= {f"{name}-ground" for name in DULL}
    if kind == "bar":
        loud -= {"bar-caution", "bar-fault"}  # ink of cells that hold no bar
    assert not loud


@pytest.mark.parametrize("kind", ["figure", "bar", "needle", "dial", "chart"])
def test_a_fault_fills_its_tile_and_a_caution_its_header_alone(kind: str, heron: Replay) -> None:
    judged = board_of(kind, heron)

    def share(second: int, names: tuple[str, ...]) -> float:
        lines = drawn(judged, second * S, (60, 20)).lines()[2:]
        cells = [(role, len(piece)) for line in lines for piece, role in line]
        inside = sum(n for role, n in cells if any(name in role for name in names))
        return inside / sum(n for _, n in cells)

    red = ("plate-fault", "tile-red", "zone-fault-lit", "zone-caution-lit", "bar", "dial")
    assert share(13, ("plate-fault", "tile-red")) == 0
    assert share(25, red) > 0.9
    head = drawn(judged, 13 * S, (60, 20)).lines()[1]
    assert all("plate-caution" in role for _, role in head)
    assert text(head).lstrip().startswith(Weight.CAUTION.mark)
    assert text(drawn(judged, 25 * S, (60, 20)).lines()[1]).lstrip().startswith("#")


@pytest.mark.parametrize("kind", ["figure", "bar", "needle", "dial", "word"])
def test_what_is_stale_never_shows_its_last_value(kind: str, gone: Replay) -> None:
    canvas = drawn(board_of(kind, gone), 25 * S, (60, 20))
    whole = "\n".join(text(line) for line in canvas.lines())
    assert "no value for 5" in whole
    assert "╱" in whole
    assert "69.9" not in whole
    assert "WITHOUT VALUES" in whole
    assert "in range" not in whole


def luminance(hex_: str) -> tuple[float, float, float]:
    parts = [int(hex_[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    return tuple(c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)  # type: ignore[return-value]


# Machado, Oliveira, Fernandes (2009), severity 1.0, linear RGB; matrices from memory.
BLIND = {
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


def lab(hex_: str, kind: str) -> np.ndarray:
    """CIE 1976 L*a*b* (ISO/CIE 11664-4, D65), as a colour-blind eye sees it."""
    rgb = np.array(luminance(hex_))
    if kind in BLIND:
        rgb = np.clip(np.array(BLIND[kind]) @ rgb, 0, 1)
    xyz = (
        np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
        @ rgb
    )
    t = xyz / np.array([0.95047, 1.0, 1.08883])
    f = np.where(t > 216 / 24389, np.cbrt(t), (24389 / 27 * t + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_colour_distance_knows_white_and_black() -> None:
    assert np.linalg.norm(lab("#FFFFFF", "") - lab("#000000", "")) == pytest.approx(100, abs=0.1)


def ground_of(role: str, dark: bool) -> str:
    style = look.style(role, dark, True, Style())
    assert style.bgcolor is not None
    return str(style.bgcolor.get_truecolor().hex)


@pytest.mark.parametrize("dark", [True, False], ids=["ink", "paper"])
@pytest.mark.parametrize("kind", ["", *BLIND])
def test_plates_and_classes_are_told_apart_by_colour_blind_eyes(kind: str, dark: bool) -> None:
    """The CIE 1976 distance: 2.3 is just seen (from memory); tiles are told apart from 15 on."""
    for roles, least in (
        (("tile", "plate-caution", "plate-fault"), 15),
        (("map-far-low", "map-even", "map-far-high", "map-outside"), 15),
        (("map-low", "map-even", "map-high"), 10),
    ):
        for i, one in enumerate(roles):
            for other in roles[i + 1 :]:
                a, b = (lab(ground_of(r, dark), kind) for r in (one, other))
                assert np.linalg.norm(a - b) >= least, (one, other)
    traces = [look.style(f"trace{n}", dark, True, Style()).color for n in ("", "-2", "-3", "-4")]
    shades = [lab(c.get_truecolor().hex, kind) for c in traces if c]
    for i, one in enumerate(shades):
        for shade in shades[i + 1 :]:
            assert np.linalg.norm(one - shade) >= 8


LOW = [(170 * (n & 1), 170 * (n >> 1 & 1), 170 * (n >> 2)) for n in range(8)]
LOW[3] = (170, 85, 0)
VGA = TerminalTheme(
    (0, 0, 0), (170, 170, 170), LOW, [tuple(85 + 170 * (c > 0) for c in n) for n in LOW]
)
"""The 16 colours of VGA text (from memory): dark ones of 0 and 170, bright ones of 85 and 255."""


@pytest.mark.parametrize("dark", [True, False])
def test_letters_are_read_on_every_tile_in_16_colours_too(dark: bool, heron: Replay) -> None:
    """At least 3:1 (WCAG 2.2, 1.4.11) for every letter and digit of every kind in every state."""
    base = Style.parse("#DCE5E3 on #0F1B20" if dark else "#20292B on #F7F3E8")
    for kind in KINDS:
        judged = board_of(kind, heron)
        for second in sorted(set(STATES.values())):
            for line in drawn(judged, second * S, SHAPES["middle"]).lines():
                for role in {role for piece, role in line if any(map(str.isalnum, piece))}:
                    style = look.style(role, dark, True, base)
                    for system in (ColorSystem.STANDARD, ColorSystem.TRUECOLOR):
                        assert style.color
                        assert style.bgcolor
                        ink, ground = (
                            luminance(c.downgrade(system).get_truecolor(VGA).hex)
                            for c in (style.color, style.bgcolor)
                        )
                        light = [0.2126 * r + 0.7152 * g + 0.0722 * b for r, g, b in (ink, ground)]
                        assert (max(light) + 0.05) / (min(light) + 0.05) >= 3, (kind, role, system)
    plates = ("tile+figure", "plate-caution", "plate-fault", "head-fault", "map-far-low")
    shown = [look.style(role, dark, True, base) for role in plates]
    sixteen = {
        (s.color.downgrade(ColorSystem.STANDARD), s.bgcolor.downgrade(ColorSystem.STANDARD))
        for s in shown
        if s.color and s.bgcolor
    }
    assert len(sixteen) == len(plates), "each looks different with 16 colours"


def test_without_colour_a_fault_is_reversed_and_zones_are_lines(heron: Replay) -> None:
    canvas = drawn(board_of("figure", heron), 25 * S, (40, 12), Pen(colour=False))
    base = Style.parse("white on black")
    roles = [role for line in canvas.lines()[2:] for piece, role in line for _ in piece]
    styles = [look.style(role, True, False, base) for role in roles]
    assert sum(bool(s.reverse) for s in styles) > 0.85 * len(styles)
    assert not any(s.color and s.color.triplet and len(set(s.color.triplet)) > 1 for s in styles)
    chart = drawn(board_of("chart", heron), 5 * S, (60, 14), Pen(colour=False))
    assert any("─" in text(line) for line in chart.lines())


def test_figures_are_as_high_as_there_is_room() -> None:
    for high in (5, 9, 16):
        canvas = draw_big("3.690", width_of("3.690", high), -(-high // 2), "figure")
        assert canvas is not None
        assert canvas.rows == -(-high // 2)
    assert best_height("3.690", 10, 10) == 0
    assert draw_big("8", 40, 8, "figure").rows == 8  # type: ignore[union-attr]
    # Sixteen arc minutes (ISO 9241-303, from memory) at 5 m are 23 mm: 1/8 of a 14-inch screen.
    assert best_height("380", 38, 8) / 2 / 35 >= 1 / 8


def test_a_bar_marks_its_limits_inside_too_and_a_dial_points_at_its_value() -> None:
    from busplan.text.chart import LimitLine

    limits = [LimitLine(60, Weight.CAUTION, True), LimitLine(80, Weight.FAULT, True)]
    bar = text(draw_bar(Gauge(90, (0, 100), limits), 50, 1).lines()[0])
    assert (bar[30], bar[40]) == ("╎", "┃")
    assert bar.rstrip(" ").rindex("█") == 44
    for value, side in ((0, 0), (100, 1)):
        dial = draw_dial(Gauge(value, (0, 100), limits), 30, 10)
        lines = dial.lines()
        at = [x for line in lines for x, role in _cells(line) if "dial-mark" in role]
        assert all((x >= 15) == bool(side) for x in at)


def _cells(line) -> list[tuple[int, str]]:
    found, x = [], 0
    for piece, role in line:
        found += [(x + i, role) for i in range(len(piece))]
        x += len(piece)
    return found


async def test_keys_show_the_next_board_see_alarms_and_note(heron: Replay, tmp_path) -> None:
    capture = tmp_path / "heron.log"
    capture.write_text("x")
    file = LIMIT + "".join(
        f'[[board]]\nname = "{name}"\n[[board.tile]]\nshow = "figure"\nsignals = "current"\n'
        "at = [0, 0]\nsize = [12, 12]\n"
        for name in ("first", "second")
    )
    boards = resolve_boards(tomllib.loads(file), Problems("b.toml", {}), heron.vehicle)
    boards = replace(boards, presets=("heater on", "bled C2"))
    app = ReplayApp(
        heron, start_ns=25 * S, now=FakeNow(), judge=None, desk=BoardDesk(boards, capture)
    )
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(app, pilot)
        await pilot.press("7")
        await pilot.pause()
        assert "1 IN THE RED: current" in screen_text(app)
        assert "first" in screen_text(app).split("\n")[1]
        assert app.board.flashing
        await pilot.press("s")
        await pilot.pause()
        assert not app.board.flashing
        await pilot.press("w")
        await pilot.pause()
        assert "second" in screen_text(app).split("\n")[1]
        await pilot.press("h")
        await pilot.pause()
        assert "IN THE RED" not in screen_text(app)
        await pilot.press("m", "2", "enter")
        await pilot.pause()
        await pilot.press("5")
        await pilot.pause()
        assert "bled C2" in screen_text(app)
    kept = parse_notes(read_text(notes_path(capture)), heron.index.origin_ns)
    assert [(n.text, n.t_ns) for n in kept.notes] == [("bled C2", 25 * S)]
    again = BoardDesk(boards, capture)
    again.load(heron.index.origin_ns)
    judged = again.judge(heron)
    assert judged.at(judged.boards.boards[0], 25 * S).red == ()


async def test_only_what_changed_is_painted(heron: Replay) -> None:
    app = ReplayApp(heron, judge=None, start_ns=5 * S, now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(app, pilot)
        await pilot.press("7")
        await pilot.pause()
        sheet = app.query_one(BoardSheet)
        asked: list[object] = []
        sheet.refresh = lambda *regions, **_: asked.extend(regions)  # type: ignore[method-assign,assignment,return-value]
        app.action_redraw()
        assert not asked
        app.clock.seek(round(5.1 * S))
        app.action_redraw()
        cells = sum(r.width * r.height for r in asked)  # type: ignore[attr-defined]
        assert 0 < cells < 80 * 20 / 4


async def test_a_board_is_made_and_edited_without_writing_toml(heron: Replay, tmp_path) -> None:
    path = tmp_path / "heron.board.toml"
    file = f'# mine\n{LIMIT}[[board]]\nname = "one"\n[[board.tile]]\nshow = "figure"\n'
    path.write_text(file + 'signals = "current"\nat = [0, 0]\nsize = [4, 4]\n')
    boards = resolve_boards(tomllib.loads(path.read_text()), Problems(str(path), {}), heron.vehicle)
    desk = BoardDesk(boards, None, path)
    app = ReplayApp(heron, judge=None, start_ns=5 * S, now=FakeNow(), desk=desk)

    def tiles():
        return app.board.board.tiles

    async with app.run_test(size=(100, 30)) as pilot:
        await settle(app, pilot)
        await pilot.press("4", "down", "B")
        await pilot.pause()
        assert [t.show for t in tiles()] == ["figure", "figure", "chart"]
        assert tiles()[1].subjects[0].endswith("CellVoltage01")
        await pilot.press("7", "shift+right")
        await pilot.pause()
        assert tiles()[0].at == (0, 0)
        await pilot.press("e", "ctrl+down", "shift+down", "t")
        await pilot.pause()
        assert "^s saves  e ends  u undoes" in screen_text(app)
        first = tiles()[0]
        assert (first.at, first.size, first.show) == ((0, 1), (4, 5), "bar")
        await pilot.press("u")
        await pilot.pause()
        assert tiles()[0].show == "figure"
        await pilot.press("l", *"fault_high=54", "enter")
        await pilot.pause()
        assert any(x.value == 54 for x in app.board.judged.boards.limits)
        await pilot.press("right", "delete")
        await pilot.pause()
        assert len(tiles()) == 2
        app.board.chosen = 0
        head = tile_places(app.board.state, *app.board.size)[0]
        await pilot.mouse_down("#board-sheet", offset=(3, head.y))
        await pilot.hover("#board-sheet", offset=(53, head.y))
        await pilot.mouse_up("#board-sheet", offset=(53, head.y))
        await pilot.pause()
        assert tiles()[0].at[0] == 6
        await pilot.press("ctrl+s", "e")
        await pilot.pause()
    kept = path.read_text()
    assert kept.startswith("# mine")
    again = resolve_boards(tomllib.loads(kept), Problems("b", {}), heron.vehicle)
    assert again.boards[0].tiles[0].at[0] == 6
    assert len(again.boards[0].tiles) == 2
