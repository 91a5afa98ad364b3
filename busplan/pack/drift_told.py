"""What is said of drift: a finding for each cell, each module and the joints that moved."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.answers import Interval
from busplan.findings import Figure, Finding, Weight
from busplan.pack.drift import Drift, Topic
from busplan.pack.labels import cell_label, module_place, place, sentence
from busplan.plan.vehicle import PackLayout
from busplan.wording import plain

_PERCENT = (Topic.RESISTANCE, Topic.RESISTANCE_LATE, Topic.CAPACITY, Topic.BALANCE, Topic.EXCHANGE)


def drift_findings(found: Sequence[Drift], layout: PackLayout) -> list[Finding]:
    """A caution for each cell and each module that drifted, with all that moved."""
    findings = []
    for cells in (True, False):
        moved: dict[int, list[Drift]] = {}
        for drift in found:
            if drift.topic.of_cells is cells and not drift.topic.of_pack:
                for index in drift.drifted.tolist():
                    moved.setdefault(index, []).append(drift)
        for index, changes in sorted(moved.items()):
            findings.append(_finding(index, changes, layout, cells=cells))
    findings += [_of_joints(d, layout) for d in found if d.topic.of_pack and len(d.drifted)]
    return findings


def _of_joints(drift: Drift, layout: PackLayout) -> Finding:
    low, high = _ends(drift.intervals[0])
    return Finding(
        "joint-drift",
        Weight.CAUTION,
        place(layout.quantities["voltage"]),
        f"The resistance outside the cells' taps has moved since the capture before (95 %): "
        f"{low:+z.2f} to {high:+z.2f} mΩ.",
        "A joint that loosens or corrodes heats until it burns.",
        "Have licensed people compare the drops over fuse, contactors and joints under load.",
        (
            Figure("change", float(drift.change[0]), "mΩ"),
            Figure("low", low, "mΩ"),
            Figure("high", high, "mΩ"),
        ),
    )


def _finding(index: int, changes: Sequence[Drift], layout: PackLayout, *, cells: bool) -> Finding:
    figures: list[Figure] = []
    texts = []
    for drift in changes:
        factor, unit = _shown(drift.topic)
        low, high = (factor * end for end in _ends(drift.intervals[index]))
        texts.append(
            f"{drift.topic} {plain(low, 3, sign=True)} to {plain(high, 3, sign=True)} {unit}"
        )
        figures += [
            Figure(f"change of {drift.topic}", factor * float(drift.change[index]), unit),
            Figure("low", low, unit),
            Figure("high", high, unit),
        ]
    if cells:
        cell = layout.cells[index]
        label, where = cell_label(cell), place(cell.address)
    else:
        module = layout.modules[index]
        label, where = f"module {module}", module_place(layout, module)
    return Finding(
        "cell-drift" if cells else "module-drift",
        Weight.CAUTION,
        where,
        f"{sentence(label)} has moved against its peers since the capture before (95 %): "
        f"{', '.join(texts)}.",
        "What drifts from its peers will limit the pack or fail first.",
        "Compare both captures at the same state of charge; look again in a few weeks.",
        tuple(figures),
    )


def kept_told(topic: Topic) -> tuple[str, float, str]:
    """What a kept figure is called for a person, with the factor and unit it is read in."""
    if topic is Topic.JOINTS:
        return str(topic), 1.0, "mΩ"
    factor, unit = _shown(topic)
    if topic in (Topic.VOLTAGE, Topic.TEMPERATURE):
        return f"{topic} beside the middle one", factor, unit
    if topic is Topic.BALANCE:
        return f"{topic}, of its capacity", factor, unit
    if topic is Topic.SELF_DISCHARGE:
        return str(topic), factor, unit
    return f"{topic}, of the middle one's", factor, unit


def _ends(interval: Interval) -> tuple[float, float]:
    return interval.low, interval.high


def _shown(topic: Topic) -> tuple[float, str]:
    """Factor and unit that a person reads a change in."""
    if topic in _PERCENT:
        return 100.0, "%"
    return {
        Topic.VOLTAGE: (1e3, "mV"),
        Topic.TEMPERATURE: (1.0, "K"),
        Topic.SELF_DISCHARGE: (1.0, "mV/h"),
    }[topic]
