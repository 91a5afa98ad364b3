"""What need not be drawn or painted again is not."""

from types import SimpleNamespace

import pytest
from rich.style import Style
from support.van import make_replay

from busplan.screens import plain_views
from busplan.screens.plain_views import VerdictView
from busplan.screens.sheet import paint
from busplan.text.runs import PLAIN


def test_a_verdict_is_drawn_once_for_each_capture_and_width(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drawn: list[int] = []

    def draw(report: object, findings: object, columns: int) -> list[list[tuple[str, str]]]:
        drawn.append(columns)
        return [[(f"{report} {columns}", "")]]

    monkeypatch.setattr(plain_views, "draw_verdict", draw)
    view = VerdictView()
    first, second = make_replay(seconds=3.0), make_replay(seconds=3.0)
    view.reports = {first.table: "first", second.table: "second"}  # type: ignore[dict-item]
    shown = []
    for replay, second_s, columns in (
        (first, 1, 80),
        (first, 2, 80),
        (first, 2, 60),
        (second, 2, 60),
    ):
        shot = replay.snapshot(second_s * 10**9)
        shown.append(view.draw(replay, shot, SimpleNamespace(), columns, 24)[0][0][0])  # type: ignore[arg-type]
    assert shown == ["first 80", "first 80", "first 60", "second 60"]
    assert drawn == [80, 60, 60]


@pytest.mark.parametrize(
    ("pieces", "painted"),
    [(["A1 ", "41 °C"], "A1 41 °C"), (["A\x1b[2J", "\u202eB"], "A\ufffd[2J\ufffdB")],
)
def test_a_line_is_disarmed_whichever_piece_is_hostile(pieces: list[str], painted: str) -> None:
    strip = paint([(piece, PLAIN) for piece in pieces], Style(), dark=True, colour=True)
    assert strip.text == painted
