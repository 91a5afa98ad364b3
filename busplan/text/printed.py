"""Every screen's twin on the command line: the same facts as plain text."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from busplan.board.facts import BoardFacts, facts_of
from busplan.replay.asked import Asked
from busplan.replay.replay import Replay
from busplan.replay.search import matching
from busplan.text.behaviour_text import draw_behaviours
from busplan.text.board_text import board_lines
from busplan.text.draw import (
    load_grid,
    no_pack,
    pack_figures,
    quantities,
    recent_findings,
    state_lines,
    unrecorded,
)
from busplan.text.finding import draw_details
from busplan.text.findings_draw import summary
from busplan.text.messages_draw import Columns, draw_heading, head_runs, parts_of
from busplan.text.networks_draw import draw_networks
from busplan.text.packmap import PackMap
from busplan.text.pair_draw import draw_pair
from busplan.text.runs import Line, clock_text, flow, fold, width, wrap
from busplan.text.runs import text as plain
from busplan.text.span_draw import draw_span, place_names
from busplan.text.verdict_draw import draw_verdict
from busplan.wording import CAUTION

COLUMNS = 100
"""Width of the text where no terminal says otherwise."""


def screen_text(asked: Asked, screen: str, columns: int = COLUMNS) -> list[str]:
    """One screen at one moment as lines of text; what is wider goes on in the next line."""
    shot, replay = asked.shot, asked.replay
    lines: list[Line] = [
        [(f"{replay.vehicle.label} · {replay.source}", "strong")],
        [(f"{clock_text(shot.t_ns)} of {clock_text(replay.span_ns)}", "plain")],
        *state_lines(shot, columns, 99),
        *_doubts(replay, columns),
        [],
        *_TEXTS[screen](asked, columns),
        [],
        *wrap(CAUTION, columns, "danger"),
    ]
    return [plain(line) for line in lines]


def _doubts(replay: Replay, columns: int) -> list[Line]:
    """What reading had to put up with, on every screen: nobody should trust it more than that."""
    told = replay.doubts
    lines: list[Line] = []
    for finding in told[:MOST_DOUBTS]:
        lines += wrap(f"{finding.weight.mark} reading: {finding.summary}", columns, "caution", 2)
    if len(told) > MOST_DOUBTS:
        lines += wrap(f"! reading: {len(told) - MOST_DOUBTS} more, see the findings", columns)
    return lines


def _pack_text(asked: Asked, columns: int) -> list[Line]:
    shot = asked.shot
    if shot.pack and not no_pack(shot):
        drawn = PackMap.of(shot.pack.layout, columns, "values").draw(shot.pack, None)
        figures = [part for line in pack_figures(shot.pack) for part in fold(line, columns, 6)]
        lines = [*drawn, [], *figures]
        lead: Line = [("pack  ", "head")]
        if parts := quantities(shot.pack):
            lines += flow(parts, columns, lead)
    else:
        lines = wrap(no_pack(shot), columns)
    lines += [[], *load_grid(shot, asked.replay.vehicle, columns, 2), *unrecorded(shot, columns)]
    return [*lines, [], *recent_findings(asked.replay, shot, columns, MOST_LINES)]


def _networks_text(asked: Asked, columns: int) -> list[Line]:
    return draw_networks(asked.replay, asked.shot, columns)


def _messages_text(asked: Asked, columns: int) -> list[Line]:
    replay, shot = asked.replay, asked.shot
    fit = Columns.whole(replay)
    lines = fold(draw_heading(200, fit), columns, 4)
    for n in matching(replay, asked.words):
        head = head_runs(replay, shot, n, fit)
        below: Line = [(" " * 4, "plain")]
        values = flow(parts_of(replay, shot, n), columns, below, 1)
        if width(head) + width(values[0]) <= columns and len(values) == 1:
            lines.append([*head, *values[0][1:]])
        else:
            lines += [*fold(head, columns, 4), *values]
    return lines


def _findings_text(asked: Asked, columns: int) -> list[Line]:
    lines: list[Line] = [summary(asked.replay, asked.shot.t_ns)]
    for finding in asked.replay.findings:
        lines += [[], *draw_details(finding, columns)]
    return lines


def _span_text(asked: Asked, columns: int) -> list[Line]:
    return draw_span(asked.span, columns, place_names(asked.replay))


def _board_text(asked: Asked, columns: int) -> list[Line]:
    facts = asked.board
    if not isinstance(facts, BoardFacts):
        facts = facts_of(asked)
    return board_lines(facts, columns)


def _behaviours_text(asked: Asked, columns: int) -> list[Line]:
    return draw_behaviours(asked.behaviours, columns)


def _verdict_text(asked: Asked, columns: int) -> list[Line]:
    if asked.report is None:
        why = no_pack(asked.shot) or "Too little of the pack has come."
        return wrap(f"There is nothing to judge. {why}", columns)
    return draw_verdict(asked.report, asked.replay.findings, columns)


def _pair_text(asked: Asked, columns: int) -> list[Line]:
    second, other = asked.second
    return draw_pair((asked.replay, second), (asked.shot, other), columns)


MOST_DOUBTS = 3
"""Cautions of reading that stand above every screen."""
MOST_LINES = 12
"""Lines of findings under the pack; the findings screen has them all."""

_TEXTS: Mapping[str, Callable[[Asked, int], list[Line]]] = {
    "pack": _pack_text,
    "verdict": _verdict_text,
    "networks": _networks_text,
    "messages": _messages_text,
    "findings": _findings_text,
    "span": _span_text,
    "board": _board_text,
    "behaviours": _behaviours_text,
    "pair": _pair_text,
}
