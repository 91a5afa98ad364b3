"""Behaviours as lines of text: the verdicts, and the library of ready ones."""

from __future__ import annotations

from busplan.answers import Answer
from busplan.behaviour.report import BehaviourReport, Verdict
from busplan.behaviour.words import sentence
from busplan.plan.ready import PRACTICE, READY, SIGNALS, STATES, Ready
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, text, wrap, wrapped
from busplan.text.verdict_draw import ROLES
from busplan.wording import plain

_INDENT = "    "
NONE = (
    "The plan has no [[behaviour]] tables: what must hold between signals over time. "
    "`busplan behaviour --ready` shows ready ones that it can take up."
)


def behaviour_lines(report: BehaviourReport, width: int, *, details: bool = False) -> list[str]:
    """A block a behaviour, worst first; ``details`` adds what held and every failure."""
    return [text(line) for line in _drawn(report, width, details=details)]


def draw_behaviours(report: BehaviourReport | None, columns: int) -> list[Line]:
    """The same for the screens; ``None`` says that the plan has none."""
    if report is None or not report.verdicts:
        return wrap(NONE, columns)
    return _drawn(report, columns, details=False)


def brief_lines(report: BehaviourReport, width: int) -> list[str]:
    """A line or two a behaviour, worst first."""
    lines = [report.headline, *_part(report, width)]
    for verdict in _ordered(report):
        lines += wrapped(told_of(verdict), width, rest=_INDENT, figures=True)
    return lines


def _part(report: BehaviourReport, width: int) -> list[str]:
    """Which part was judged where it was not the whole."""
    told = report.one_clock
    return wrapped(f"{told[:1].upper()}{told[1:]}.", width, figures=True) if told else []


def told_of(verdict: Verdict) -> str:
    """One behaviour in one line, as far as it has come."""
    least = "" if verdict.answer is Answer.NOT_SHOWN else verdict.margin_text
    more = f"; least margin {least}" if least else ""
    told = verdict.reason or verdict.counts_text
    return f"{verdict.answer.mark} {verdict.behaviour.name}: {verdict.word}; {told}{more}"


def _drawn(report: BehaviourReport, width: int, *, details: bool) -> list[Line]:
    lines: list[Line] = [[(f"{report.vehicle}: {report.headline}", HEAD)]]
    lines += [[(line, PLAIN)] for line in _part(report, width)]
    for verdict in _ordered(report):
        lines += _verdict_lines(verdict, width, details=details)
    return lines


def _ordered(report: BehaviourReport) -> list[Verdict]:
    """Worst first."""
    order = {Answer.BAD: 0, Answer.NOT_SHOWN: 1, Answer.GOOD: 2}
    return sorted(report.verdicts, key=lambda v: order[v.answer])


def _verdict_lines(verdict: Verdict, width: int, *, details: bool) -> list[Line]:
    def below(words: str, role: str = PLAIN) -> list[Line]:
        told = wrapped(words, width, first=_INDENT, rest=_INDENT, figures=True)
        return [[(line, role)] for line in told]

    head = f"{verdict.answer.mark} {verdict.behaviour.name}: {verdict.word}"
    told = wrapped(
        f"{head}; {verdict.reason or verdict.counts_text}", width, rest=_INDENT, figures=True
    )
    lines: list[Line] = [[(line, ROLES[verdict.answer])] for line in told]
    if verdict.margin_text and verdict.answer is not Answer.NOT_SHOWN:
        lines += below(f"least margin {verdict.margin_text}")
    if details or verdict.answer is not Answer.GOOD:
        lines += below(sentence(verdict.behaviour), FAINT)
    shown = verdict.failures if details else verdict.failures[:3]
    for moment in shown:
        right = "" if moment.until_s is None else f", right again at {moment.until_s:.3f} s"
        late = "" if moment.margin_s is None else f", {moment.margin_s:+.3f} s"
        off = moment.margin
        by = "" if off is None else f", {plain(off, sign=True)} {verdict.unit}".rstrip()
        lines += below(f"at {moment.at_s:.3f} s{late}{by}{right}")
    if verdict.failed > len(shown):
        lines += below(f"and {verdict.failed - len(shown):,} more")
    return lines


def ready_lines(width: int) -> list[str]:
    """The library: each ready behaviour, its roles and settings, and how to take one up."""
    lines = wrapped(
        "Ready behaviours. Take one up in the plan by its name, once [role] says which signals and "
        f"states it speaks of. All are {PRACTICE}: set the makers' figures.",
        width,
    )
    lines += ["", "[[behaviour]]", 'ready = "fan-when-hot"', "set = { limit_c = 42.0 }", ""]
    for ready in READY.values():
        lines += _ready_lines(ready, width)
    lines += ["", "Roles that are a signal or a message:"]
    for name, meaning in SIGNALS.items():
        lines += wrapped(f"{name}: {meaning}", width, first="  ", rest=_INDENT)
    lines.append("Roles that say what holds, such as { signal = NAME, is = STATE }:")
    for name, meaning in STATES.items():
        lines += wrapped(f"{name}: {meaning}", width, first="  ", rest=_INDENT)
    return lines


def _ready_lines(ready: Ready, width: int) -> list[str]:
    lines = wrapped(f"{ready.name}: {ready.note}", width, rest=_INDENT)
    lines += wrapped(f"roles: {', '.join(ready.roles)}", width, first="  ", rest=_INDENT)
    for name, setting in ready.settings.items():
        lines += wrapped(
            f"{name} = {setting.value:g}: {setting.meaning}", width, first="  ", rest=_INDENT
        )
    return lines
