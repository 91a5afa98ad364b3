"""Cells and modules over the years: one of them, those that drift, the baseline against now."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from busplan.answers import Answer
from busplan.errors import UsageError
from busplan.fleet.desk import Desk
from busplan.fleet.figures import Figure
from busplan.fleet.reply import Curve, Drawing, Reply, table_of
from busplan.fleet.trend import Groups, Trend, fit_groups, fit_trend, group
from busplan.fleet.years import Years, of_each
from busplan.frames.columns import F64
from busplan.pack.drift import LEAST, TWO_SIDED, USUAL, Drift
from busplan.plan.problems import suggestion
from busplan.wording import counted, listing

MOST_AT_ENDS = 100_000
"""Captures that are looked at from each end of a vehicle's years."""
ENDS = 5
"""Captures at each end that make the baseline and the present."""
TOGETHER = 1_000_000
"""Values of vehicles whose lines are fitted together."""


def one_member(
    desk: Desk, figure: Figure, member: str, vehicles: Sequence[str], *, modules: bool
) -> Reply:
    """A cell or module over the years, with the line through it and its uncertainty."""
    what = "module" if modules else "cell"
    curves, says, tables = [], [], []
    known: dict[str, None] = {}
    told = of_each(desk, figure, vehicles, lambda y: y, modules=modules, texts=("uri", "test"))
    for years in told:
        known |= dict.fromkeys(years.members)
        if member not in years.members:
            continue
        at = years.members.index(member)
        mine = years.only(np.isfinite(years.value[:, at]))
        if not len(mine.time_ns):
            continue
        trend = fit_trend(mine.time_ns, mine.value[:, [at]], mine.uncertainty[:, [at]])
        scale = figure.scale
        value, low, high = (each[:, at] * scale for each in (mine.value, mine.low, mine.high))
        line = trend.at(mine.time_ns)[:, 0] * scale
        curve = Curve(
            f"{what} {member} of {mine.vehicle}",
            mine.time_ns,
            value,
            low,
            high,
            line if np.isfinite(line).all() else None,
        )
        curves.append(curve)
        says.append(_of_line(curve.name, figure, trend, 0, mine.left_out))
        tables.append((mine, value, low, high))
    if not curves:
        raise UsageError(_nobody(what, member, figure, list(known)))
    rows = table_of(
        {
            "vehicle": [y.vehicle for y, v, _, _ in tables for _ in v],
            "time": np.concatenate([y.time_ns for y, *_ in tables]),
            "test": [t for y, *_ in tables for t in y.texts["test"].to_pylist()],
            "value": np.concatenate([v for _, v, _, _ in tables]),
            "low": np.concatenate([low for _, _, low, _ in tables]),
            "high": np.concatenate([high for *_, high in tables]),
            "capture": [u for y, *_ in tables for u in y.texts["uri"].to_pylist()],
        }
    )
    title = f"{what} {member}: {figure.title}"
    unit = figure.unit
    label = f"{figure.title} [{unit}]" if unit else figure.title
    return Reply(
        title,
        rows,
        tuple(says),
        {"value": unit, "low": unit, "high": unit, "time": "UTC"},
        Drawing("curves", label, curves),
    )


def _nobody(what: str, member: str, figure: Figure, known: list[str]) -> str:
    if member in known or not known:
        return f"no capture asked for tells the {figure.title} of {what} {member}"
    return f"there is no {what} {member}{suggestion(member, known, what)}"


def _of_line(whose: str, figure: Figure, trend: Trend, at: int, left_out: int) -> str:
    """The slope in words, or why none is told."""
    more = f"; {counted(left_out, 'capture')} without a date or of another layout left out"
    tail = more if left_out else ""
    unit = f" {figure.unit}" if figure.unit else ""
    if not np.isfinite(trend.slope[at]):
        return (
            f"{whose}: {counted(int(trend.count[at]), 'value')} over {trend.years:.1f} years; too "
            f"few, or too close together, for a slope{tail}"
        )
    slope, half = trend.slope[at] * figure.scale, trend.half_width[at] * figure.scale
    sure = "" if abs(slope) > half else ", not told apart from none"
    return (
        f"{whose}: {slope:+.3g}{unit} a year, between {slope - half:+.3g} and {slope + half:+.3g} "
        f"(95 %{sure}), by {counted(int(trend.count[at]), 'capture')} over {trend.years:.1f} "
        f"years{tail}"
    )


def _grouped(years: Years) -> tuple[Years, Groups]:
    return years, group(years.time_ns, years.value, years.uncertainty)


def _fitted(given: Iterator[tuple[Years, Groups]]) -> Iterator[tuple[Years, Trend]]:
    """Lines of vehicles, fitted together as far as what is kept of them stays small."""
    waiting: list[tuple[Years, Groups]] = []
    values = 0
    for one in given:
        waiting.append(one)
        values += one[0].value.size
        if values > TOGETHER:
            yield from _lines(waiting)
            waiting, values = [], 0
    yield from _lines(waiting)


def _lines(given: Sequence[tuple[Years, Groups]]) -> Iterator[tuple[Years, Trend]]:
    return zip((y for y, _ in given), fit_groups([g for _, g in given]), strict=True)


def drifting(desk: Desk, figure: Figure, vehicles: Sequence[str], *, modules: bool) -> Reply:
    """The cells or modules whose figure moves against their peers, each with its slope.

    One is named only when its change over the time recorded passes twice, as everywhere: beyond
    its own uncertainty and the scatter of its peers, and by what matters.
    """
    what = "module" if modules else "cell"
    if figure.topic is None:
        raise UsageError(f"drift is told of figures with an uncertainty, not of {figure.title}")
    named: list[tuple[Years, Trend, int]] = []
    says, curves, judged = [], [], 0
    for years, trend in _fitted(of_each(desk, figure, vehicles, _grouped, modules=modules)):
        change, error = trend.slope * trend.years, trend.uncertainty * trend.years
        # Few groups: the interval is wider than that of a normal distribution.
        error = error * trend.factor / TWO_SIDED
        told = int(np.isfinite(change).sum())
        judged += bool(told)
        if not told:
            says.append(
                f"{years.vehicle}: not shown; {counted(len(years.time_ns), 'capture')} over "
                f"{trend.years:.1f} years tell no slope"
            )
            continue
        drift = Drift(figure.topic, change, error, LEAST[figure.topic], USUAL[figure.topic])
        found = drift.drifted.tolist()
        named += [(years, trend, i) for i in found]
        if not found:
            good = sum(a is Answer.GOOD for a in drift.answers)
            says.append(
                f"{years.vehicle}: no {what} drifts by {LEAST[figure.topic] * figure.scale:g} "
                f"{figure.unit} or more; for {good} of {len(years.members)} that is shown"
            )
        for i in found:
            says.append(
                _of_line(f"{what} {years.members[i]} of {years.vehicle}", figure, trend, i, 0)
            )
            known = np.isfinite(years.value[:, i])
            scale = figure.scale
            curves.append(
                Curve(
                    f"{what} {years.members[i]} of {years.vehicle}",
                    years.time_ns[known],
                    years.value[known, i] * scale,
                    years.low[known, i] * scale,
                    years.high[known, i] * scale,
                    trend.at(years.time_ns[known])[:, i] * scale,
                )
            )
    if not says:
        says.append(f"not shown: no capture asked for tells the {figure.title}")
    scale = figure.scale
    rows = table_of(
        {
            "vehicle": [y.vehicle for y, _, _ in named],
            what: [y.members[i] for y, _, i in named],
            "slope": np.array([t.slope[i] * scale for _, t, i in named], np.float64),
            "low": np.array([(t.slope - t.half_width)[i] * scale for _, t, i in named], np.float64),
            "high": np.array(
                [(t.slope + t.half_width)[i] * scale for _, t, i in named], np.float64
            ),
            "now": np.array([t.at(y.time_ns[-1:])[0, i] * scale for y, t, i in named], np.float64),
            "captures": np.array([t.count[i] for _, t, i in named], np.int64),
            "years": np.array([t.years for _, t, _ in named], np.float64),
        }
    )
    unit = figure.unit
    label = f"{figure.title} [{unit}]" if unit else figure.title
    yearly = f"{unit}/year" if unit else "1/year"
    units = {"slope": yearly, "low": yearly, "high": yearly, "now": unit, "years": "years"}
    return Reply(
        f"{what}s that drift: {figure.title}",
        rows,
        tuple(says),
        units,
        Drawing("curves", label, curves) if curves else None,
    )


def baseline_and_now(
    desk: Desk, figure: Figure, vehicles: Sequence[str], *, modules: bool
) -> Reply:
    """Every cell or module: what it was in the first captures, and what it is in the last."""
    what = "module" if modules else "cell"
    columns: dict[str, list[F64]] = {n: [] for n in ("first", "now", "change", "uncertainty")}
    names: list[tuple[str, str]] = []
    moved: list[bool] = []
    says = []
    for mine in _enough(desk, figure, vehicles, modules=modules):
        if len(mine.time_ns) < 2:
            says.append(f"{mine.vehicle}: not shown; one capture alone tells no change")
            continue
        ends = min(ENDS, len(mine.time_ns) // 2)
        first, now, error = _ends(mine, ends)
        names += [(mine.vehicle, m) for m in mine.members]
        out = np.zeros(len(mine.members), np.bool_)
        shown = 0
        if figure.topic is not None:
            least, usual = LEAST[figure.topic], USUAL[figure.topic]
            drift = Drift(figure.topic, now - first, error, least, usual)
            out[drift.drifted] = True
            shown = sum(a is Answer.GOOD for a in drift.answers)
        moved += out.tolist()
        for column, value in zip(columns, (first, now, now - first, error), strict=True):
            columns[column].append(value * figure.scale)
        days = (mine.time_ns[-1] - mine.time_ns[0]) / 86_400e9
        told = [mine.members[i] for i in np.flatnonzero(out)]
        between = f"between the first {ends} and the last {ends} captures, {days:,.0f} days apart"
        if figure.topic is None:
            says.append(f"{mine.vehicle}: what changed {between}; none of it is judged")
        elif told:
            which = f"{counted(len(told), what)} moved ({listing(told, 8)})"
            says.append(f"{mine.vehicle}: {which} {between}")
        else:
            says.append(
                f"{mine.vehicle}: no {what} is seen to have moved by "
                f"{LEAST[figure.topic] * figure.scale:g} {figure.unit} or more {between}; for "
                f"{shown} of {len(mine.members)} it is shown that it did not"
            )
    if not says:
        says.append(f"not shown: no capture asked for tells the {figure.title}")
    joined = {n: np.concatenate(v) if v else np.empty(0) for n, v in columns.items()}
    rows = table_of(
        {"vehicle": [v for v, _ in names], what: [m for _, m in names]}
        | joined
        | {"moved": np.array(moved, np.bool_)}
    )
    order = np.argsort(-np.abs(np.nan_to_num(joined["change"])), kind="stable")
    units = dict.fromkeys(columns, figure.unit)
    return Reply(f"baseline against now: {figure.title}", rows.take(order), tuple(says), units)


def _enough(desk: Desk, figure: Figure, vehicles: Sequence[str], *, modules: bool) -> list[Years]:
    """Captures at both ends of every vehicle, as few as tell the figure often enough."""
    look = 4 * ENDS
    while True:
        found = list(of_each(desk, figure, vehicles, lambda y: y, modules=modules, ends=look))
        # So many of twice ``look`` captures tell it that enough of each end do.
        enough = all(len(y.time_ns) >= look + ENDS for y in found)
        if look > MOST_AT_ENDS or (enough and len(found) == len(vehicles)):
            return found
        look = look * 10 if look < MOST_AT_ENDS // 10 else MOST_AT_ENDS + 1


def _ends(years: Years, ends: int) -> tuple[F64, F64, F64]:
    """Means of the first and of the last captures (m,), and the uncertainty of their difference.

    A line through both is taken out of the scatter: what moves steadily moves within either, too.
    """
    early, late = slice(None, ends), slice(-ends, None)
    time = (years.time_ns - years.time_ns[0]) / 86_400e9
    means = [_mean(years.value[part]) for part in (early, late)]
    apart = float(time[late].mean() - time[early].mean())
    slope = (means[1] - means[0]) / apart if apart > 0.0 else np.zeros(len(means[0]))
    errors = [
        _error(years.value[part] - np.outer(time[part], slope), years.uncertainty[part])
        for part in (early, late)
    ]
    return means[0], means[1], np.hypot(*errors)


def _mean(value: F64) -> F64:
    """Mean over captures (k, m) → (m,); NaN where none tells."""
    known = np.isfinite(value)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(known, value, 0.0).sum(axis=0) / known.sum(axis=0), np.float64)


def _error(value: F64, uncertainty: F64) -> F64:
    """Standard uncertainty of the mean over captures (k, m): stated or scattered, the larger."""
    known = np.isfinite(value)
    count = known.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        square = np.where(known, (value - _mean(value)) ** 2, 0.0).sum(axis=0)
        scattered = np.sqrt(square / np.maximum(count - 1, 1) / count)
        stated = np.sqrt(np.where(known, np.nan_to_num(uncertainty) ** 2, 0.0).sum(axis=0)) / count
    return np.asarray(np.fmax(scattered, stated), np.float64)
