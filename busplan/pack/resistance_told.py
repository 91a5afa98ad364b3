"""What is said of the resistances: a sentence a cell, findings, the section of the verdict."""

from __future__ import annotations

import numpy as np

from busplan.answers import Answer, Interval
from busplan.findings import Figure, Finding, Weight
from busplan.pack.labels import cell_label, clock, how_late, listed, module_place, place, sentence
from busplan.pack.plausible import DOUBTS
from busplan.pack.resistance import NO_CELL, NO_CURRENT, TOO_FEW, Resistance
from busplan.pack.resistance_scales import UNCERTAIN, UNRELATED, AtScale
from busplan.pack.section import Section, not_shown
from busplan.pack.statistics import nan_median
from busplan.plan.vehicle import PackLayout
from busplan.wording import counted, percent

EXPLAINED = 0.03
"""So much of a difference that temperature explains is worth telling."""
REMEDIES = {
    NO_CURRENT: "see why no current came, and record its network too",
    NO_CELL: "see why no cell came, and record the network of the monitors too",
    TOO_FEW: "record for longer, with monitors that send the cells at least once a second",
    UNRELATED: "see in the plan that current and cells are those of one pack, and that the "
    "monitors send what they measure at once",
    UNCERTAIN: "drive for longer with larger steps of current, or have the monitors send finer "
    "steps of voltage",
}
"""What helps where a drive alike would show no more, by how the reason begins."""


def cell_sentence(resistance: Resistance, layout: PackLayout, index: int) -> str:
    """One cell's resistance with its intervals and the conditions they hold for."""
    scale = resistance.best
    cell = layout.cells[index]
    if not scale.shown or not np.isfinite(scale.value[index]):
        return f"{cell_label(cell)}: not shown, {resistance.open_reason(index)}"
    own, ratio = scale.interval(index), scale.relative_interval(index)
    return (
        f"{cell_label(cell)}: {scale.value[index] * 1e3:.3f} mΩ after {scale.after_s:g} s "
        f"({own.low * 1e3:.3f} to {own.high * 1e3:.3f}), "
        f"{percent(scale.relative[index] - 1, sign=True)} against its peers "
        f"({percent(ratio.low - 1, sign=True)} to {percent(ratio.high - 1, sign=True)}), "
        f"{conditions(resistance, float(resistance.temperature_c[index]))}"
    )


def conditions(resistance: Resistance, temperature_c: float) -> str:
    """``at 120 A, 24 °C, 48 to 55 % charge``."""
    told = [f"at {resistance.at_a:g} A"]
    if np.isfinite(temperature_c):
        told.append(f"{temperature_c:.0f} °C")
    charge = resistance.charge
    if charge.known:
        ends = dict.fromkeys((f"{charge.low:.0f}", f"{charge.high:.0f}"))
        told.append(f"{' to '.join(ends)} % charge")
    return ", ".join(told)


def resistance_findings(resistance: Resistance, layout: PackLayout) -> list[Finding]:
    """A caution for each cell, and for each module, of raised resistance."""
    limit = layout.limits.voltage_spread_v
    modules = [_module_finding(resistance, layout, m) for m in resistance.raised_modules(limit)]
    return modules + [_cell_finding(resistance, layout, int(i)) for i in resistance.raised(limit)]


def _cell_finding(resistance: Resistance, layout: PackLayout, index: int) -> Finding:
    cell, scale = layout.cells[index], resistance.best
    sag = float(resistance.extra_sag_v[index])
    explained = _explained(resistance, index)
    warm = (
        f"; its temperature explains {percent(explained, 0, sign=True)}"
        if abs(explained) > EXPLAINED
        else ""
    )
    figures = [
        *_figures(scale.value[index], scale.interval(index), "resistance", 1e3, "mΩ"),
        *_figures(
            scale.relative[index] - 1.0,
            _moved(scale.relative_interval(index)),
            "against peers",
            100.0,
            "%",
        ),
        Figure("after", scale.after_s, "s"),
        Figure("at", resistance.at_a, "A"),
        Figure("extra sag", sag * 1e3, "mV"),
        Figure("current", resistance.peak_a, "A"),
    ]
    if np.isfinite(resistance.temperature_c[index]):
        figures.append(Figure("temperature", float(resistance.temperature_c[index]), "°C"))
    return Finding(
        "cell-resistance-high",
        Weight.CAUTION,
        place(cell.address, resistance.peak_time_s),
        f"{sentence(cell_sentence(resistance, layout, index))}{warm}; at "
        f"{resistance.peak_a:.0f} A ({clock(resistance.peak_time_s)}) it sags {sag * 1e3:.0f} mV "
        "more.",
        "A loose busbar heats at that spot; an aged cell limits the pack under load.",
        "Have licensed people check the torque and faces of its busbars, then the cell.",
        tuple(figures),
    )


def _figures(value: float, ends: Interval, name: str, factor: float, unit: str) -> list[Figure]:
    return [
        Figure(name, float(value) * factor, unit),
        Figure(f"{name} from", ends.low * factor, unit),
        Figure(f"{name} to", ends.high * factor, unit),
    ]


def _moved(ratio: Interval) -> Interval:
    return Interval(ratio.low - 1.0, ratio.high - 1.0)


def _explained(resistance: Resistance, index: int) -> float:
    """The part of a cell's difference that its module's temperature explains."""
    peers = resistance.peers
    if peers is None or not np.isfinite(peers.excess[index]):
        return 0.0
    return float(resistance.best.relative[index] / (1.0 + peers.excess[index]) - 1.0)


def _module_finding(resistance: Resistance, layout: PackLayout, module: int) -> Finding:
    peers, name = resistance.peers, layout.modules[module]
    assert peers is not None
    own = np.flatnonzero(resistance.module == module)
    excess = float(nan_median(peers.excess[own]))
    error = float(nan_median(peers.uncertainty[own])) * resistance.best.factor
    warm = float(resistance.temperature_c[own[0]])
    kelvin = (
        f"its {warm:.0f} °C do not explain it"
        if np.isfinite(warm)
        else "its temperature is not known, and a cold module shows the same"
    )
    return Finding(
        "module-resistance-high",
        Weight.CAUTION,
        module_place(layout, name, resistance.peak_time_s),
        f"Module {name} as a whole ({counted(len(own), 'cell')}): {percent(excess, 0, sign=True)} "
        f"resistance against the other modules ({percent(excess - error, 0, sign=True)} to "
        f"{percent(excess + error, 0, sign=True)}) after {resistance.best.after_s:g} s, "
        f"{conditions(resistance, float('nan'))}; {kelvin}.",
        "One cause for all its cells: another temperature than told, another age or kind of cell.",
        "Measure the module's temperature apart; then compare age and type of its cells.",
        (
            *_figures(excess, Interval(excess - error, excess + error), "against peers", 100, "%"),
            Figure("cells", len(own)),
        ),
    )


def _reach(scale: AtScale) -> str:
    """``0.4 to 1.6 % (95 %)``: how far a cell's interval against its peers goes either way."""
    wide = 100.0 * scale.factor * scale.relative_uncertainty[np.isfinite(scale.relative)]
    ends = dict.fromkeys((f"{wide.min():.1f}", f"{wide.max():.1f}"))
    return f"{' to '.join(ends)} % (95 %)"


def resistance_section(
    resistance: Resistance | None, layout: PackLayout, *, asked: bool, run: str
) -> Section | None:
    """The topic; where this test need not show it (``asked``) and it does not, there is none.

    ``run`` says how such a test is run.
    """
    name = "resistance"
    if resistance is None or not resistance.judged:
        if not asked:
            return None
        if resistance is not None and resistance.missing in DOUBTS:
            return not_shown(name, resistance.missing, "mend that, and judge this again")
        if resistance is None and "current" in layout.quantities:
            return not_shown(name, NO_CURRENT, REMEDIES[NO_CURRENT], again=False)
        if resistance is not None:
            why = resistance.missing
            remedy = next((told for begin, told in REMEDIES.items() if why.startswith(begin)), None)
            return not_shown(name, why, remedy or run, again=remedy is None)
        return not_shown(name, "the plan maps no current", "name it in [pack.quantities]")
    limit = layout.limits.voltage_spread_v
    scale = resistance.best
    told = [f"cell {layout.cells[i].number} {percent(scale.relative[i] - 1, 0, sign=True)}"
            for i in resistance.raised(limit)]  # fmt: skip
    told += [f"module {layout.modules[m]} as a whole" for m in resistance.raised_modules(limit)]
    # Of an even number the lower of the two in the middle: both lie equally far from the median.
    middle = int(np.argsort(scale.relative)[(np.isfinite(scale.relative).sum() - 1) // 2])
    own = scale.interval(middle)
    late = [d.delay_s for d in resistance.delays if np.isfinite(d.delay_s)]
    text = (
        f"median cell {scale.value[middle] * 1e3:.3f} mΩ after {scale.after_s:g} s "
        f"({own.low * 1e3:.3f} to {own.high * 1e3:.3f}), cells known "
        f"against their peers to within {_reach(scale)}, "
        f"{conditions(resistance, float(nan_median(resistance.temperature_c)))}"
    )
    if late:
        text += f"; voltages come {how_late(min(late), max(late))}"
    if told:
        text = f"{listed(told)}; {text}"
    answers = resistance.answers(limit)
    reasons = [resistance.open_reason(i) for i, a in enumerate(answers) if a is Answer.NOT_SHOWN]
    missing = ""
    if reasons:
        missing = f"{counted(len(reasons), 'cell')}: {listed(list(dict.fromkeys(reasons)), 2)}"
    answer = Answer.BAD if told else Answer.NOT_SHOWN if missing else Answer.GOOD
    return Section(name, answer, text, missing, answers)
