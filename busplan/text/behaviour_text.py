"""Behaviours as lines of text: the verdicts, and the library of ready ones."""

from __future__ import annotations

from busplan.answers import Answer
from busplan.behaviour.report import BehaviourReport, Verdict
from busplan.behaviour.words import sentence
from busplan.plan.ready import PRACTICE, READY, SIGNALS, STATES, Ready
from busplan.text.runs import wrapped

_INDENT = "    "


def behaviour_lines(report: BehaviourReport, width: int, *, details: bool = False) -> list[str]:
    """A block a behaviour, worst first; ``details`` adds what held and every failure."""
    order = {Answer.BAD: 0, Answer.NOT_SHOWN: 1, Answer.GOOD: 2}
    lines = [f"{report.vehicle}: {report.headline}"]
    for verdict in sorted(report.verdicts, key=lambda v: order[v.answer]):
        lines += _verdict_lines(verdict, width, details=details)
    return lines


def _verdict_lines(verdict: Verdict, width: int, *, details: bool) -> list[str]:
    head = f"{verdict.answer.mark} {verdict.behaviour.name}: {verdict.word}"
    lines = wrapped(
        f"{head}; {verdict.reason or verdict.counts_text}", width, rest=_INDENT, figures=True
    )
    if verdict.margin_text and verdict.answer is not Answer.NOT_SHOWN:
        lines += wrapped(
            f"least margin {verdict.margin_text}", width, first=_INDENT, rest=_INDENT, figures=True
        )
    if details or verdict.answer is not Answer.GOOD:
        lines += wrapped(sentence(verdict.behaviour), width, first=_INDENT, rest=_INDENT)
    shown = verdict.failures if details else verdict.failures[:3]
    for moment in shown:
        right = "" if moment.until_s is None else f", right again at {moment.until_s:.3f} s"
        late = "" if moment.margin_s is None else f", {moment.margin_s:+.3f} s"
        by = "" if moment.margin is None else f", {moment.margin:+.4g} {verdict.unit}".rstrip()
        lines.append(f"{_INDENT}at {moment.at_s:.3f} s{late}{by}{right}")
    if verdict.failed > len(shown):
        lines.append(f"{_INDENT}and {verdict.failed - len(shown):,} more")
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
