"""Does the plan's layout use everything that looks like a cell or a module sensor?

What a plan names and no definition has, or names twice, is found while loading the plan.
"""

from __future__ import annotations

from busplan.findings import Figure, Finding, Weight, Where
from busplan.pack.families import Family, find_families
from busplan.pack.labels import listed
from busplan.plan.vehicle import PackLayout, SignalAddress, Vehicle


def layout_findings(vehicle: Vehicle) -> list[Finding]:
    """Signals of a family of mapped cells (or sensors) that the layout leaves out."""
    layout = vehicle.pack
    if layout is None:
        return []
    cells = {c.address for c in layout.cells}
    sensors = {s.address for s in layout.sensors}
    named = cells | sensors | set(layout.quantities.values())
    findings = []
    for family in find_families((a, s) for a, _, s in vehicle.signals()):
        mapped = cells if family.kind == "cell" else sensors
        unused = [m.address for m in family.members if m.address not in named]
        if unused and any(m.address in mapped for m in family.members):
            findings.append(_unused(family, unused))
    return findings + _gaps(layout)


def _unused(family: Family, unused: list[SignalAddress]) -> Finding:
    what = "cells" if family.kind == "cell" else "module sensors"
    return Finding(
        "pack-cell-unmapped" if family.kind == "cell" else "pack-sensor-unmapped",
        Weight.CAUTION,
        Where(*unused[0]),
        f"{family.node} sends {len(unused)} more signals like the plan's {what}, but the plan "
        f"leaves them out: {listed([a.signal for a in unused])}.",
        f"If they are {what} of this pack, nobody judges them.",
        "Raise the counts of the enclosure in the plan, or leave it so if they are not fitted.",
        (Figure("signals", len(unused)),),
    )


def _gaps(layout: PackLayout) -> list[Finding]:
    """Numbers missing or doubled in the series string."""
    numbers = [c.number for c in layout.cells]
    whole = range(1, max(numbers, default=0) + 1)
    missing = [str(n) for n in whole if n not in set(numbers)]
    doubled = sorted({n for n in numbers if numbers.count(n) > 1})
    findings = []
    if missing:
        findings.append(
            Finding(
                "pack-cell-number-missing",
                Weight.CAUTION,
                Where(),
                f"No signal stands for cell {listed(missing)} of the string of {len(whole)}.",
                "A cell that nobody measures cannot be judged.",
                "Correct the pattern or the numbers of cells in the plan.",
                (Figure("cells", len(missing)),),
            )
        )
    if doubled:
        findings.append(
            Finding(
                "pack-cell-number-doubled",
                Weight.CAUTION,
                Where(),
                f"More than one signal stands for cell {listed([str(n) for n in doubled])}.",
                "One cell cannot have two voltages; another one goes unmeasured.",
                "Correct the pattern or the numbers of cells in the plan.",
                (Figure("cells", len(doubled)),),
            )
        )
    return findings
