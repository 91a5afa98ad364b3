"""Cells that stand where cells of the stated chemistry cannot: the plan names another one.

The rules of this file: told only where no cell of the stated chemistry could do it, and never which
other one it is. Where the current is doubted, unknown in between or the capacity is not stated,
nothing is said: silence is no sign that the chemistry is right.

* LFP: at ``HIGH_V`` and more for ``HIGH_S`` of discharge in all. Its charge ends at 3.65 V
  (datasheets); it falls below 3.5 V within the first ampere-hours (common practice, no source).
* NMC and NCA: below ``LOW_V`` at both ends of half a capacity of charge, each charging (when
  a cell reads above its open circuit) or at rest for ``SETTLED_S``. Such cells pass below that
  voltage through a fifth of their charge (Chen et al. 2020, J. Electrochem. Soc. 167 080534, fig.
  of the open circuit; read from memory); half leaves room for a capacity stated half as large.
"""

from __future__ import annotations

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64
from busplan.pack.labels import place
from busplan.pack.plausible import current_doubt
from busplan.pack.series import PackSeries, sample
from busplan.pack.statistics import nan_median
from busplan.pack.windows import REST_A
from busplan.plan.vehicle import PackLayout

HIGH_V, HIGH_S = 3.70, 60.0
LOW_V, SETTLED_S, LOW_SHARE = 3.45, 60.0, 0.5


def chemistry_findings(series: PackSeries, layout: PackLayout) -> list[Finding]:
    """One caution where the middle cell contradicts the plan's chemistry; else none."""
    name = layout.chemistry.upper()
    current, time_s = series.quantity("current"), series.voltage.time_s
    if name not in ("LFP", "NMC", "NCA") or current is None or len(time_s) < 2:
        return []
    if current_doubt(series, layout.capacity_ah):
        return []
    middle = nan_median(series.voltage.value, axis=1)
    if name == "LFP":
        return _too_high(time_s, middle, sample([current], time_s).value[:, 0], layout)
    return _too_flat(time_s, middle, current.at(time_s), layout)


def _too_high(time_s: F64, middle: F64, amps: F64, layout: PackLayout) -> list[Finding]:
    with np.errstate(invalid="ignore"):
        rows = (middle >= HIGH_V) & (amps > REST_A)
    seconds = float(rows.sum() * (time_s[1] - time_s[0]))
    if seconds < HIGH_S:
        return []
    usual = float(np.median(middle[rows]))
    return _told(
        layout,
        f"The middle cell stands above {HIGH_V:.1f} V, half of the time above {usual:.2f} V, "
        f"through {seconds:.0f} s of discharge: no {layout.chemistry} cell does.",
        (Figure("middle cell", round(usual, 3), "V"), Figure("discharge", round(seconds), "s")),
    )


def _too_flat(time_s: F64, middle: F64, amps: F64, layout: PackLayout) -> list[Finding]:
    if layout.capacity_ah is None:
        return []
    step_s = float(time_s[1] - time_s[0])
    # Where the current is unknown, and before the capture, it may have discharged.
    away = np.where(amps <= REST_A, time_s[0], time_s)
    with np.errstate(invalid="ignore"):
        settled = (amps < -REST_A) | (time_s - np.maximum.accumulate(away) > SETTLED_S)
    rows = np.flatnonzero(settled & (middle < LOW_V))
    if not len(rows):
        return []
    between = slice(rows[0], rows[-1] + 1)
    if np.isnan(amps[between]).any():
        return []
    # An offset of the sensor counts nothing at rest.
    flow = np.where(np.abs(amps[between]) > REST_A, amps[between], 0.0)
    passed = (np.cumsum(flow) * step_s / 3600.0)[rows - rows[0]]
    moved = float(np.ptp(passed))
    if moved < LOW_SHARE * layout.capacity_ah:
        return []
    ends = sorted(float(middle[rows[i]]) for i in (int(passed.argmin()), int(passed.argmax())))
    return _told(
        layout,
        f"The middle cell stands at {ends[0]:.2f} V and at {ends[1]:.2f} V with {moved:.0f} Ah "
        f"between: no {layout.chemistry} cell of {layout.capacity_ah:g} Ah does.",
        (
            Figure("lower end", round(ends[0], 3), "V"),
            Figure("upper end", round(ends[1], 3), "V"),
            Figure("charge between", round(moved, 1), "Ah"),
        ),
    )


def _told(layout: PackLayout, summary: str, figures: tuple[Figure, ...]) -> list[Finding]:
    return [
        Finding(
            "chemistry-contradicted",
            Weight.CAUTION,
            place(layout.cells[0].address),
            summary,
            "Voltages and temperatures are held against the limits of the chemistry that the plan "
            "states; limits of another one may pass a cell that is overcharged.",
            "Read the cells' label and correct chemistry, limits and capacity_ah in [pack] of the "
            "plan; until then do not charge by it.",
            figures,
        )
    ]
