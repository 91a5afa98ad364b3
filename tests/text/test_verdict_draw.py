"""The Verdict screen's lines: what stands first, and where they break."""

import re
from itertools import pairwise
from pathlib import Path

import pytest
from support.opened import open_replay

from busplan.pack.report import PackReport
from busplan.pack.tables import CellRow, cell_rows
from busplan.replay.verdict import judge_pack
from busplan.text.runs import text
from busplan.text.verdict_draw import draw_verdict

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def report() -> PackReport:
    plan = ROOT / "dbc_examples/asleep.toml"
    found = judge_pack(open_replay(ROOT / "captures/gun_warm_up_early_short.log.gz", plan))
    assert found is not None
    return found


def far(row: CellRow) -> float:
    return round(abs(row.deviation_mv), 6)


def test_of_cells_equally_far_off_the_one_most_often_out_stands_first(report: PackReport) -> None:
    lines = [text(line) for line in draw_verdict(report, (), 80)]
    start = lines.index("cells, furthest off first") + 2
    shown = [int(line.split()[0]) for line in lines[start : start + 6]]
    rows = {r.cell: r for r in cell_rows(report)}
    assert len({far(rows[cell]) for cell in shown}) < len(shown)
    for one, next_ in pairwise(rows[cell] for cell in shown):
        assert far(one) >= far(next_)
        if far(one) == far(next_):
            assert one.lowest_share + one.highest_share >= next_.lowest_share + next_.highest_share


def test_no_figure_is_parted_from_its_unit(report: PackReport) -> None:
    for columns in range(60, 100):
        lines = [text(line) for line in draw_verdict(report, (), columns)]
        assert max(map(len, lines)) <= columns
        topics = lines[: next(i for i, line in enumerate(lines) if line.startswith("module "))]
        for line, after in pairwise(topics):
            parted = re.search(r"\d$", line) and re.match(r" {22}(%|mV|K|°C|h|s|Ω|V)\b", after)
            assert not parted, (columns, line, after)


def test_the_screen_tells_what_an_exchange_is_and_what_none_of_them_shows(
    report: PackReport,
) -> None:
    told = " ".join(text(line) for line in draw_verdict(report, (), 80))
    assert "lag s: by how much the cells trail the liquid longer than the peers' do." in told
    assert "never flow: what all share, such as a weak pump, is not in it." in told
