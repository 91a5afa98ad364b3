"""How the section on limits is told: what was inside its window, in which use, and what is open."""

from __future__ import annotations

from busplan.answers import Answer
from busplan.findings import Weight
from busplan.pack.heard import LEAST_SHARE
from busplan.pack.limit_times import LEAST_MODE_S, modes_text
from busplan.pack.report import PackReport
from busplan.pack.section import Section, answers_of
from busplan.pack.windows import Mode, temperature_window
from busplan.wording import counted


def weighty(report: PackReport, *codes: str) -> bool:
    """Whether there is more than a note of a code that begins so."""
    return any(f.weight > Weight.NOTE and f.code.startswith(codes) for f in report.findings)


def limits_section(report: PackReport) -> Section:
    """The topic: the ranges seen, how long in which use, and what was not seen of them."""
    name = "limits"
    lasting = [e for e in report.excesses if not e.touch]
    bad = weighty(report, "cell-voltage-", "temperature-high", "temperature-low", "charging-too")
    ranges = ((report.voltage_range, "V", 3), (report.temperature_range, "°C", 1))
    seen = ", ".join(
        _range_words(f"{ends[0].value:.{digits}f}", f"{ends[1].value:.{digits}f}", unit)
        for ends, unit, digits in ranges
        if ends is not None
    )
    if lasting:
        worst = max(lasting, key=lambda e: e.longest_s)
        side = "above" if worst.above else "below"
        unit = "V" if worst.kind == "cell" else "°C"
        text = f"{side} {worst.limit:g} {unit} for {worst.longest_s:.0f} s"
    else:
        text = f"touched for a moment: {seen}" if report.excesses else f"inside: {seen}"
        text = f"{text}, {modes_text(report.limit_times)}".rstrip(", ")
        text += ", by a current whose sign nothing here shows" if _unsigned(report) else ""
    layout = report.layout
    cells, sensors = _seen(report, "cell"), _seen(report, "sensor")
    over = {e.index for e in lasting if e.kind == "cell"}
    hot = {
        layout.modules.index(layout.sensors[e.index].module) for e in lasting if e.kind != "cell"
    }
    by_module = [
        any(seen for seen, s in zip(sensors, layout.sensors, strict=True) if s.module == m)
        for m in layout.modules
    ]
    answer, missing = Answer.BAD if bad else Answer.GOOD, ""
    unseen = [
        counted(shown.count(False), one)
        for shown, one, any_ in (
            (cells, "cell", layout.cells),
            (by_module, "module", layout.sensors),
        )
        if any_ and not all(shown)
    ]
    doubt = doubt_words(report, "cell") if not all(cells) else doubt_words(report, "sensor")
    if not bad and (unseen or _use_unknown(report)):
        answer = Answer.NOT_SHOWN
        told = [f"{' and '.join(unseen)} not seen throughout{doubt}"] if unseen else []
        if _use_unknown(report):
            what = "no current" if not _unsigned(report) else "no current of a known sign"
            told.append(f"{what} tells whether these temperatures are allowed")
        missing = "; ".join(told)
        text = text if seen else ""
    return Section(
        name,
        answer,
        text,
        missing,
        answers_of(len(cells), over, cells),
        answers_of(len(by_module), hot, by_module),
    )


def _range_words(low: str, high: str, unit: str) -> str:
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _seen(report: PackReport, kind: str) -> list[bool]:
    """Whether each cell or sensor was heard throughout, and is believed."""
    shares = report.heard.cells if kind == "cell" else report.heard.sensors
    still = report.stood_still("cells" if kind == "cell" else "temperatures")
    return [
        bool(share >= LEAST_SHARE) and not still and (kind, i) not in report.unbelieved
        for i, share in enumerate(shares)
    ]


def doubt_words(report: PackReport, kind: str) -> str:
    """What is not there may have been heard and not been believed; ``kind`` is cell or sensor."""
    still = report.stood_still("cells" if kind == "cell" else "temperatures")
    return ", or not believed" if still or any(k == kind for k, _ in report.unbelieved) else ""


_FLOWING = (Mode.CHARGING, Mode.DISCHARGING)


def _unsigned(report: PackReport) -> bool:
    """Whether something flowed and nothing showed which way."""
    flowed = any(t.mode in _FLOWING and t.lasted_s >= 1.0 for t in report.limit_times)
    return flowed and not report.sign_shown


def _use_unknown(report: PackReport) -> bool:
    """Whether temperatures were allowed in one use of the pack only, and nobody knows which it was.

    Where charging and discharging both allow them, no current is needed.
    """
    doubtful = (Mode.UNKNOWN, *(_FLOWING if _unsigned(report) else ()))
    rows = [t for t in report.limit_times if t.what == "temperatures" and t.mode in doubtful]
    if report.temperature_range is None or not any(t.lasted_s >= LEAST_MODE_S for t in rows):
        return False
    lows, highs = zip(
        *(temperature_window(report.layout.limits, m) for m in _FLOWING),
        strict=True,
    )
    low, high = report.temperature_range
    return bool(low.value < max(lows) or high.value > min(highs))
