"""The stated chemistry against cells of a kind that is known: cells solved by others.

"chen" is NMC811 (Chen et al. 2020), "mohtat" NMC532 (Mohtat et al. 2020), "prada" LFP (Prada et
al. 2013), all solved once by a library of cells (tests/truth/make_solved_cells.py).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from truth import cell_packs, solved_cells
from truth.as_series import pack_series

from busplan.pack.chemistry import chemistry_findings
from busplan.pack.report import evaluate_pack
from busplan.pack.series import PackSeries


def told(pack: Any, chemistry: str, **more: Any) -> list[str]:
    series, layout = pack_series(pack)
    layout = replace(layout, chemistry=chemistry, **({"capacity_ah": 100.0} | more))
    return [f.summary for f in chemistry_findings(series, layout)]


@pytest.mark.parametrize("stated", ["NMC", "NCA"])
def test_iron_phosphate_under_a_plan_of_another_chemistry_is_told(stated: str) -> None:
    (summary,) = told(solved_cells.charging(2, cell="prada"), stated)
    assert f"no {stated} cell of 100 Ah does" in summary


@pytest.mark.parametrize("cell", ["chen", "mohtat"])
@pytest.mark.parametrize("begin", [0.04, 0.22])
@pytest.mark.parametrize("stated", ["NMC", "NCA"])
def test_a_charge_of_cells_of_the_stated_kind_gives_none(
    cell: str, begin: float, stated: str
) -> None:
    pack = solved_cells.charging(2, cell=cell, from_charge=begin)
    assert told(pack, stated) == []
    assert told(pack, stated, capacity_ah=50.0) == []  # stated half as large


def test_what_cannot_be_known_is_not_told() -> None:
    pack = solved_cells.charging(2, cell="prada")
    assert told(pack, "NMC", capacity_ah=None) == []
    assert told(pack, "LFP") == told(pack, "own") == told(pack, "LTO") == []
    assert told(solved_cells.charging(2, cell="prada", from_charge=0.5), "NMC") == []
    series, layout = pack_series(pack)
    layout = replace(layout, chemistry="NMC", capacity_ah=100.0)
    assert chemistry_findings(series, layout)
    whole = series.quantity("current")
    assert whole is not None
    middle = len(whole) // 2
    gap = np.r_[0 : middle - 60, middle + 60 : len(whole)]  # two minutes that nobody heard
    torn = replace(whole, time_s=whole.time_s[gap], value=whole.value[gap])
    assert chemistry_findings(with_current(series, torn), layout) == []
    assert chemistry_findings(with_current(series, None), layout) == []


def with_current(series: PackSeries, current: Any) -> PackSeries:
    quantities = {k: v for k, v in series.quantities.items() if k != "current"}
    return replace(series, quantities=quantities | ({"current": current} if current else {}))


def test_cells_far_above_iron_phosphate_are_told_on_a_drive_only() -> None:
    drive = cell_packs.drive(7, cells=16, minutes=4.0)
    (summary,) = told(drive, "LFP")
    assert "of discharge: no LFP cell does" in summary
    assert told(drive, "NMC") == []
    # An LFP cell that is being charged may read more: 3.65 V at its end, and a monitor errs.
    assert told(solved_cells.charging(2, cell="chen", from_charge=0.5), "LFP") == []


def test_the_report_tells_it_once() -> None:
    series, layout = pack_series(cell_packs.drive(7, cells=16, minutes=4.0))
    report = evaluate_pack(series, replace(layout, chemistry="LFP"))
    assert [f.code for f in report.findings].count("chemistry-contradicted") == 1
