"""Every screen's twin on the command line: the same facts as text and as JSON."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import TYPE_CHECKING, Any

from busplan.errors import UsageError
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import SignalAddress
from busplan.replay import document
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.replay.span import measure_span
from busplan.replay.verdict import joined, judge_pack
from busplan.text.caution import CAUTION
from busplan.text.draw import (
    load_grid,
    no_pack,
    pack_figures,
    quantities,
    recent_findings,
    state_lines,
    unrecorded,
    vehicle_label,
)
from busplan.text.finding import draw_details
from busplan.text.findings_draw import summary
from busplan.text.messages_draw import Columns, draw_heading, head_runs, matching, parts_of
from busplan.text.networks_draw import draw_networks
from busplan.text.packmap import PackMap
from busplan.text.pair_draw import draw_pair
from busplan.text.runs import Line, clock_text, flow, fold, width, wrap
from busplan.text.runs import text as plain
from busplan.text.shop_draw import tiles
from busplan.text.span_draw import draw_span, place_names
from busplan.text.verdict_draw import draw_verdict

if TYPE_CHECKING:
    from busplan.pack.report import PackReport

COLUMNS = 100
"""Width of the text where no terminal says otherwise."""


@dataclass(frozen=True, eq=False)
class Asked:
    """What a twin is asked for: the moment, a filter, a span, signals, a second capture."""

    replay: Replay
    t_ns: int
    words: str = ""
    span_ns: tuple[int, int] | None = None
    signals: Sequence[SignalAddress] = ()
    beside: Replay | None = None
    shift_ns: int = 0
    report: PackReport | None = None
    columns: int = COLUMNS
    """Width of the text; whatever is longer goes on in the next line."""

    @property
    def shot(self) -> Snapshot:
        """The moment."""
        return self.replay.snapshot(self.t_ns)


def check_screen(name: str) -> str:
    """The screen's name; ``UsageError`` when there is none of it."""
    if name not in SCREENS:
        raise UsageError(f"there is no screen {name!r}{suggestion(name, SCREENS, 'screen')}")
    return name


def judged(asked: Asked) -> Asked:
    """The same with the evaluation of the pack and its findings."""
    report = judge_pack(asked.replay)
    return replace(asked, replay=joined(asked.replay, report), report=report)


def screen_text(asked: Asked, screen: str) -> list[str]:
    """One screen at one moment as lines of text."""
    shot = asked.shot
    replay = asked.replay
    lines: list[Line] = [
        [(f"{vehicle_label(replay.vehicle)} · {replay.source}", "strong")],
        [(f"{clock_text(shot.t_ns)} of {clock_text(replay.span_ns)}", "plain")],
        *state_lines(shot, asked.columns, 99),
        [],
        *SCREENS[screen][0](asked, shot),
        [],
        *wrap(CAUTION, asked.columns, "danger"),
    ]
    return [plain(line) for line in lines]


def screen_dict(asked: Asked, screen: str) -> dict[str, Any]:
    """One screen at one moment as plain values; what has not come is ``None``."""
    shot = asked.shot
    replay = asked.replay
    return {
        "vehicle": replay.vehicle.name,
        "invented": replay.vehicle.invented,
        "capture": replay.source,
        "time_s": shot.t_ns / 1e9,
        "length_s": replay.span_ns / 1e9,
        "state": shot.word,
        "troubles": [
            {"weight": t.weight.word, "word": t.word, "text": t.text} for t in shot.troubles
        ],
        "screen": screen,
        **SCREENS[screen][1](asked, shot),
        "caution": CAUTION,
    }


def _pack_text(asked: Asked, shot: Snapshot) -> list[Line]:
    columns = asked.columns
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


def _pack_dict(asked: Asked, shot: Snapshot) -> dict[str, Any]:
    past = asked.replay.findings[: shot.past]
    return {
        "pack": document.pack_values(shot.pack) if shot.pack else None,
        "networks": document.network_values(asked.replay, shot),
        "findings": [f.as_dict() for f in past],
    }


def _networks_text(asked: Asked, shot: Snapshot) -> list[Line]:
    return draw_networks(asked.replay, shot, asked.columns)


def _networks_dict(asked: Asked, shot: Snapshot) -> dict[str, Any]:
    return {"networks": document.network_values(asked.replay, shot)}


def _messages_text(asked: Asked, shot: Snapshot) -> list[Line]:
    replay, columns = asked.replay, asked.columns
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


def _messages_dict(asked: Asked, shot: Snapshot) -> dict[str, Any]:
    numbers = matching(asked.replay, asked.words)
    return {"messages": [document.message_values(asked.replay, shot, n) for n in numbers]}


def _findings_text(asked: Asked, shot: Snapshot) -> list[Line]:
    lines: list[Line] = [summary(asked.replay)]
    for finding in asked.replay.findings:
        lines += [[], *draw_details(finding, asked.columns)]
    return lines


def _findings_dict(asked: Asked, shot: Snapshot) -> dict[str, Any]:
    return {"findings": [f.as_dict() for f in asked.replay.findings]}


def _span_text(asked: Asked, shot: Snapshot) -> list[Line]:
    a_ns, b_ns = asked.span_ns or (0, asked.replay.span_ns)
    span = measure_span(asked.replay, a_ns, b_ns, asked.signals)
    return draw_span(span, asked.columns, place_names(asked.replay))


def _span_dict(asked: Asked, shot: Snapshot) -> dict[str, Any]:
    a_ns, b_ns = asked.span_ns or (0, asked.replay.span_ns)
    return {"span": document.span_values(measure_span(asked.replay, a_ns, b_ns, asked.signals))}


def _shop_text(asked: Asked, shot: Snapshot) -> list[Line]:
    lines: list[Line] = [[(shot.word, "strong")], []]
    for tile in chain(*tiles(shot, asked.replay.vehicle)):
        lines.append([(f"{tile.heading:<12}{tile.figure:>9} {tile.note}", "plain")])
    return lines


def _shop_dict(asked: Asked, shot: Snapshot) -> dict[str, Any]:
    shown = chain(*tiles(shot, asked.replay.vehicle))
    return {"figures": [{"name": t.label, "figure": t.figure, "note": t.note} for t in shown]}


def _verdict_text(asked: Asked, shot: Snapshot) -> list[Line]:
    if asked.report is None:
        why = no_pack(shot) or "Too little of the pack is in this capture."
        return wrap(f"There is nothing to judge. {why}", asked.columns)
    return draw_verdict(asked.report, asked.replay.findings, asked.columns)


def _verdict_dict(asked: Asked, shot: Snapshot) -> dict[str, Any]:
    if asked.report is None:
        return {"verdict": None}
    from busplan.pack.tables import report_dict

    return {"verdict": report_dict(asked.report)}


def _pair_text(asked: Asked, shot: Snapshot) -> list[Line]:
    second = _beside(asked)
    other = second.snapshot(shot.t_ns + asked.shift_ns)
    return draw_pair((asked.replay, second), (shot, other), asked.columns)


def _pair_dict(asked: Asked, shot: Snapshot) -> dict[str, Any]:
    second = _beside(asked)
    other = second.snapshot(shot.t_ns + asked.shift_ns)
    return document.pair_values(second, shot, other)


def _beside(asked: Asked) -> Replay:
    if asked.beside is None:
        raise UsageError("the pair screen compares two captures; give the second with --beside")
    return asked.beside


Text = Callable[[Asked, Snapshot], list[Line]]
Values = Callable[[Asked, Snapshot], dict[str, Any]]

MOST_LINES = 12
"""Lines of findings under the pack; the findings screen has them all."""

SCREENS: Mapping[str, tuple[Text, Values]] = {
    "pack": (_pack_text, _pack_dict),
    "verdict": (_verdict_text, _verdict_dict),
    "networks": (_networks_text, _networks_dict),
    "messages": (_messages_text, _messages_dict),
    "findings": (_findings_text, _findings_dict),
    "span": (_span_text, _span_dict),
    "shop": (_shop_text, _shop_dict),
    "pair": (_pair_text, _pair_dict),
}
JUDGED = frozenset({"pack", "verdict", "findings"})
"""Screens that show what the evaluation of the pack found."""
