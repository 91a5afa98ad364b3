"""Ways of losing, freezing, swapping, scaling and delaying a pack's data, as one fixed list.

Made systematically: each way on each target that the kind of capture has. None may make a verdict
better; what *better* is, :func:`betterment` says exactly. Beside them eight ways that do no harm
(:func:`harmless`): they may not make it worse.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from busplan.answers import Answer
from busplan.findings import Weight
from busplan.pack.kinds import PackTest
from busplan.pack.report import evaluate_pack
from busplan.pack.series import EMPTY, Heard, PackSeries, Trace
from busplan.pack.whole import Whole, judge_whole
from busplan.plan.vehicle import PackLayout

Change = Callable[[Trace, float], Trace]
"""A trace and the span [s] of the capture give the altered trace."""


@dataclass(frozen=True)
class Alteration:
    """``way`` is losing, freezing, swapping, scaling, delaying or harmless."""

    name: str
    way: str
    alter: Callable[[PackSeries, PackLayout], PackSeries]


def kept(trace: Trace, keep: np.ndarray) -> Trace:
    """The trace with some of its values, and the frames that carried them."""
    if not len(trace):
        return trace
    heard = trace.message
    if heard is not None and len(heard.time_s) == len(trace.time_s):
        heard = Heard(heard.time_s[keep], heard.allowed_s)
    return replace(trace, time_s=trace.time_s[keep], value=trace.value[keep], message=heard)


def lost(trace: Trace, span: float) -> Trace:
    return EMPTY


def lost_after(part: float) -> Change:
    return lambda t, span: kept(t, t.time_s < part * span)


def lost_before(part: float) -> Change:
    return lambda t, span: kept(t, t.time_s >= part * span)


def lost_between(first: float, last: float) -> Change:
    return lambda t, span: kept(t, (t.time_s < first * span) | (t.time_s > last * span))


def one_frame(trace: Trace, span: float) -> Trace:
    return kept(trace, np.arange(len(trace)) == len(trace) // 2)


def frozen_from(part: float) -> Change:
    def change(t: Trace, span: float) -> Trace:
        if not len(t):
            return t
        start = int(np.searchsorted(t.time_s, part * span))
        value = t.value.copy()
        value[start:] = value[max(start - 1, 0)]
        return replace(t, value=value)

    return change


def scaled(factor: float) -> Change:
    return lambda t, span: replace(t, value=t.value * factor)


def shifted(offset: float) -> Change:
    return lambda t, span: replace(t, value=t.value + offset)


def delayed(seconds: float) -> Change:
    def change(t: Trace, span: float) -> Trace:
        heard = t.message and Heard(t.message.time_s + seconds, t.message.allowed_s)
        late = replace(t, time_s=t.time_s + seconds, message=heard)
        inside = late.time_s <= span
        return kept(late, inside)

    return change


def noisy(amount: float) -> Change:
    def change(t: Trace, span: float) -> Trace:
        rng = np.random.default_rng(len(t))
        return replace(t, value=np.round(t.value + rng.uniform(-amount, amount, len(t)), 3))

    return change


def on_cells(change: Change, which: Callable[[int], bool]) -> Callable[..., PackSeries]:
    def alter(s: PackSeries, layout: PackLayout) -> PackSeries:
        cells = tuple(change(t, s.span_s) if which(i) else t for i, t in enumerate(s.cells))
        return PackSeries(cells, s.sensors, s.quantities, s.span_s, s.findings)

    return alter


def on_sensors(change: Change, which: Callable[[int], bool]) -> Callable[..., PackSeries]:
    def alter(s: PackSeries, layout: PackLayout) -> PackSeries:
        sensors = tuple(change(t, s.span_s) if which(i) else t for i, t in enumerate(s.sensors))
        return PackSeries(s.cells, sensors, s.quantities, s.span_s, s.findings)

    return alter


def on_quantity(change: Change, name: str) -> Callable[..., PackSeries]:
    def alter(s: PackSeries, layout: PackLayout) -> PackSeries:
        mapped = {q: change(t, s.span_s) if q == name else t for q, t in s.quantities.items()}
        return PackSeries(s.cells, s.sensors, mapped, s.span_s, s.findings)

    return alter


def on_all(change: Change) -> Callable[..., PackSeries]:
    def alter(s: PackSeries, layout: PackLayout) -> PackSeries:
        return PackSeries(
            tuple(change(t, s.span_s) for t in s.cells),
            tuple(change(t, s.span_s) for t in s.sensors),
            {q: change(t, s.span_s) for q, t in s.quantities.items()},
            s.span_s,
            s.findings,
        )

    return alter


def swapped_cells(a: int, b: int) -> Callable[..., PackSeries]:
    def alter(s: PackSeries, layout: PackLayout) -> PackSeries:
        cells = list(s.cells)
        cells[a], cells[b] = cells[b], cells[a]
        return PackSeries(tuple(cells), s.sensors, s.quantities, s.span_s, s.findings)

    return alter


def swapped_sensors(a: int, b: int) -> Callable[..., PackSeries]:
    def alter(s: PackSeries, layout: PackLayout) -> PackSeries:
        sensors = list(s.sensors)
        sensors[a], sensors[b] = sensors[b], sensors[a]
        return PackSeries(s.cells, tuple(sensors), s.quantities, s.span_s, s.findings)

    return alter


def swapped_quantities(a: str, b: str) -> Callable[..., PackSeries]:
    def alter(s: PackSeries, layout: PackLayout) -> PackSeries:
        mapped = dict(s.quantities)
        mapped[a], mapped[b] = mapped[b], mapped[a]
        return PackSeries(s.cells, s.sensors, mapped, s.span_s, s.findings)

    return alter


ALL = lambda i: True  # noqa: E731
CULPRIT_CELL = {"drive": 52, "charge": 16, "warm-up": 52}
MONITOR_B = lambda i: 24 <= i < 48  # noqa: E731
MODULE_C2 = lambda i: i in (14, 15)  # noqa: E731


def alterations(capture: str) -> Iterator[Alteration]:
    """The ways for one capture of the demo: ``drive``, ``charge`` or ``warm-up``; forty each."""
    culprit = CULPRIT_CELL[capture]
    only = lambda i: i == culprit  # noqa: E731
    yield Alteration("the culprit lost", "losing", on_cells(lost, only))
    yield Alteration("all cells lost", "losing", on_cells(lost, ALL))
    yield Alteration("a monitor's cells lost", "losing", on_cells(lost, MONITOR_B))
    yield Alteration("cells lost after half", "losing", on_cells(lost_after(0.5), ALL))
    yield Alteration("culprit lost after half", "losing", on_cells(lost_after(0.5), only))
    yield Alteration("cells lost for a third", "losing", on_cells(lost_between(0.3, 0.63), ALL))
    yield Alteration("one frame of each cell", "losing", on_cells(one_frame, ALL))
    yield Alteration("all temperatures lost", "losing", on_sensors(lost, ALL))
    yield Alteration("C2 lost", "losing", on_sensors(lost, MODULE_C2))
    yield Alteration("temperatures lost after half", "losing", on_sensors(lost_after(0.5), ALL))
    yield Alteration("one frame of each", "losing", on_all(one_frame))
    yield Alteration("nothing after a tenth", "losing", on_all(lost_after(0.1)))
    yield Alteration("nothing before nine tenths", "losing", on_all(lost_before(0.9)))
    for name in ("current", "voltage", "contactor_state", "insulation"):
        yield Alteration(f"{name} lost", "losing", on_quantity(lost, name))
    yield Alteration("current lost after half", "losing", on_quantity(lost_after(0.5), "current"))
    yield Alteration("culprit frozen", "freezing", on_cells(frozen_from(0.0), only))
    yield Alteration("culprit frozen from half on", "freezing", on_cells(frozen_from(0.5), only))
    yield Alteration("cells frozen", "freezing", on_cells(frozen_from(0.0), ALL))
    yield Alteration("temperatures frozen", "freezing", on_sensors(frozen_from(0.0), ALL))
    yield Alteration("C2 frozen", "freezing", on_sensors(frozen_from(0.0), MODULE_C2))
    yield Alteration("current frozen", "freezing", on_quantity(frozen_from(0.0), "current"))
    yield Alteration("all frozen from half on", "freezing", on_all(frozen_from(0.5)))
    yield Alteration("culprit and neighbour", "swapping", swapped_cells(culprit, culprit + 1))
    yield Alteration("culprit and the other end", "swapping", swapped_cells(culprit, 95))
    yield Alteration("C2 and A1", "swapping", swapped_sensors(14, 0))
    yield Alteration(
        "pack and link voltage", "swapping", swapped_quantities("voltage", "link_voltage")
    )
    for factor in (-1.0, 10.0, 1000.0, 0.1):
        yield Alteration(
            f"current times {factor:g}", "scaling", on_quantity(scaled(factor), "current")
        )
    yield Alteration("cells times 1000", "scaling", on_cells(scaled(1000.0), ALL))
    yield Alteration("cells times 0.1", "scaling", on_cells(scaled(0.1), ALL))
    yield Alteration("culprit times 1.02", "scaling", on_cells(scaled(1.02), only))
    yield Alteration("temperatures in °F", "scaling", on_sensors(scaled(1.8), ALL))
    yield Alteration("current late by 1 s", "delaying", on_quantity(delayed(1.0), "current"))
    yield Alteration("a monitor late by 0.5 s", "delaying", on_cells(delayed(0.5), MONITOR_B))
    yield Alteration("cells late by 20 s", "delaying", on_cells(delayed(20.0), ALL))
    yield Alteration("temperatures late by 60 s", "delaying", on_sensors(delayed(60.0), ALL))


def begun_late(seconds: float) -> Callable[..., PackSeries]:
    """The capture without its first seconds."""

    def change(t: Trace, span: float) -> Trace:
        rest = kept(t, t.time_s >= seconds)
        heard = rest.message and Heard(rest.message.time_s - seconds, rest.message.allowed_s)
        return replace(
            rest, time_s=rest.time_s - seconds, message=heard, ended_s=rest.ended_s - seconds
        )

    def alter(s: PackSeries, layout: PackLayout) -> PackSeries:
        return replace(on_all(change)(s, layout), span_s=s.span_s - seconds)

    return alter


def now_and_then_lost(every: int) -> Change:
    return lambda t, span: kept(t, np.arange(len(t)) % every != every // 2)


def sent_twice(trace: Trace, span: float) -> Trace:
    """Each value once more, a hundredth of its period later."""
    if len(trace) < 2:
        return trace
    time = np.column_stack((trace.time_s, trace.time_s + 0.01 * trace.period_s)).ravel()
    return replace(trace, time_s=time, value=np.repeat(trace.value, 2), message=None)


def shaken(seconds: float) -> Change:
    """Each value early or late by up to so much, in the order it came."""

    def change(t: Trace, span: float) -> Trace:
        rng = np.random.default_rng(len(t))
        time = t.time_s + rng.uniform(-seconds, seconds, len(t))
        return replace(t, time_s=np.sort(np.clip(time, 0.0, span)), message=None)

    return change


def harmless() -> Iterator[Alteration]:
    """Eight ways after which the same is to be read from any capture."""
    yield Alteration("begun 2 s later", "harmless", begun_late(2.0))
    yield Alteration("all late by 50 ms", "harmless", on_all(delayed(0.05)))
    yield Alteration("early or late by 5 ms", "harmless", on_all(shaken(0.005)))
    yield Alteration("one value of 500 lost", "harmless", on_all(now_and_then_lost(500)))
    yield Alteration("each value twice", "harmless", on_all(sent_twice))
    yield Alteration("half the temperatures", "harmless", on_sensors(now_and_then_lost(2), ALL))
    yield Alteration("temperatures 2 K higher", "harmless", on_sensors(shifted(2.0), ALL))
    yield Alteration("0.1 A of noise", "harmless", on_quantity(noisy(0.1), "current"))


def judged(series: PackSeries, layout: PackLayout, test: PackTest | None) -> tuple[Whole, int]:
    """The verdict, and the exit code with the test stated."""
    report = evaluate_pack(series, layout, test=test)
    whole = judge_whole(report)
    code = int(report.weight)
    if whole.answer is Answer.NOT_SHOWN and test is not None:
        code = max(code, int(Weight.CAUTION))
    return whole, code


def betterment(before: tuple[Whole, int], after: tuple[Whole, int]) -> str:
    """In what the second verdict is better than the first; ``""`` when it is not.

    A verdict is better when the whole is good and was not; when the exit code is 0 and was not;
    when a topic is good that the first has and that was not; or when more cells or more modules
    are good. Bad that becomes not shown is none: what is lost can no longer be seen.
    """
    (old, old_code), (new, new_code) = before, after
    if new.answer is Answer.GOOD and old.answer is not Answer.GOOD:
        return "the whole is good"
    if new_code == 0 and old_code:
        return "exit code 0"
    was = {s.name: s.answer for s in old.sections}
    for s in new.sections:
        if s.answer is Answer.GOOD and was.get(s.name, Answer.GOOD) is not Answer.GOOD:
            return f"{s.name} is good: {s.text}"
    for one in ("cells", "modules"):
        count = [getattr(w, one).count(Answer.GOOD) for w in (old, new)]
        if count[1] > count[0]:
            return f"{count[1] - count[0]} more {one} are good"
    return ""
