"""What the evaluation does not believe drives no word, no spread and no envelope."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.van import make_replay

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.demo.files import shipped
from busplan.findings import Finding, Weight, Where
from busplan.plan.reader import load_plan
from busplan.replay.pack_state import Grade
from busplan.replay.replay import Replay
from busplan.replay.trend import cell_grid, module_heat, module_volts, sensor_grid
from busplan.replay.verdict import joined, judge_pack
from busplan.text.draw import state_role
from busplan.text.pack_chosen import draw_chosen
from busplan.text.packmap import Choice

S = 1_000_000_000
AT = np.arange(1, 20, dtype=np.int64) * S


def test_a_cell_and_a_sensor_set_aside_are_in_no_figure_over_peers() -> None:
    replay = make_replay()
    whole = replay.snapshot(20 * S).pack
    assert whole is not None
    assert whole.cells.evenness is not None
    low = whole.cells.evenness.lowest
    aside = replace(replay, set_aside=frozenset({("cell", low), ("sensor", 1)}))
    shot = aside.snapshot(20 * S)
    state = shot.pack
    assert state is not None
    assert state.cells.evenness is not None
    assert state.cells.grade[low] == Grade.ASIDE
    assert state.sensors.grade[1] == Grade.ASIDE
    assert state.cells.evenness.lowest != low
    others = np.delete(state.cells.value, low)
    assert state.cells.evenness.minimum == others.min()
    assert state.cells.deviation[low] == pytest.approx(state.cells.value[low] - np.median(others))
    assert [t.text for t in shot.troubles if t.word == "SET ASIDE"] == [
        f"1 cell set aside as not believed: {low + 1} A2",
        "1 sensor set aside as not believed: A1/2",
    ]


def test_envelopes_and_maps_of_modules_leave_them_out_and_their_own_curve_stays() -> None:
    replay = make_replay()
    layout = replay.vehicle.pack
    assert layout is not None
    plain = cell_grid(replay, AT)
    low = int(np.nanmean(plain.values, axis=1).argmin())
    aside = replace(replay, set_aside=frozenset({("cell", low), ("sensor", 0)}))
    cells, sensors = cell_grid(aside, AT), sensor_grid(aside, AT)
    np.testing.assert_array_equal(cells.values, plain.values)
    np.testing.assert_array_equal(cells.band()[0], np.delete(plain.values, low, 0).min(axis=0))
    np.testing.assert_array_equal(cells.middle_of([low]), plain.values[low])
    mine = [i for i, s in enumerate(layout.sensors) if s.module == layout.sensors[0].module]
    np.testing.assert_array_equal(sensors.middle_of(mine), sensors.values[mine[1]])
    none = replace(replay, set_aside=frozenset({("sensor", i) for i in mine}))
    assert np.isnan(module_heat(none, layout, AT).deviation[0]).all()
    assert not np.isnan(module_heat(none, layout, AT).deviation[1]).any()
    volts = module_volts(aside, layout, AT)
    module = layout.modules.index(layout.cells[low].module)
    assert (
        np.abs(volts.deviation[module]).max()
        < np.abs(module_volts(replay, layout, AT).deviation[module]).max()
    )


def test_in_the_demo_s_warm_up_the_stuck_sensor_hides_the_lagging_module_no_more() -> None:
    """Planted (invented): one sensor of D1 is stuck, C2 lags."""
    van = load_plan(shipped("dbc_examples") / "as_built.toml")
    capture = apply_plan(read_capture(shipped("captures") / "warm_up_short.log.gz"), van)
    replay = Replay.of(van, capture.frames)
    judged = joined(replay, judge_pack(replay))
    end = judged.snapshot(judged.span_ns)
    assert any(van.pack.sensors[i].module == "D1" for i in judged.aside("sensor"))  # type: ignore[union-attr]
    uneven = [t.text for t in end.troubles if t.word == "HEAT UNEVEN"]
    assert all("D1" not in text for text in uneven)
    assert end.pack is not None
    assert end.pack.worst_lag is not None
    assert end.pack.worst_lag[0] == "C2"


def test_where_no_peer_is_fresh_nobody_is_off_them() -> None:
    replay = make_replay()
    layout = replay.vehicle.pack
    assert layout is not None
    everyone = frozenset(("cell", i) for i in range(len(layout.cells)))
    state = replace(replay, set_aside=everyone).snapshot(20 * S).pack
    assert state is not None
    assert np.isnan(state.cells.deviation).all()
    assert not np.isnan(state.cells.value).all()
    (line,) = draw_chosen(state, Choice("cell", 3), 100)
    told = "".join(text for text, _ in line)
    assert "set aside" in told
    assert "mV" not in told


def test_after_a_caution_it_is_even_only_now() -> None:
    """A raised resistance shows at no calm moment; before it was found nothing was."""
    caution = Finding("cell-resistance-high", Weight.CAUTION, Where("pack", time_ns=10 * S), "x")
    replay = make_replay(sag_v=0.0).with_findings([caution])
    assert replay.snapshot(9 * S).word == "ALL EVEN"
    later = replay.snapshot(20 * S)
    assert later.word == "EVEN NOW"
    assert [t.text for t in later.troubles] == ["1 caution found up to here"]
    assert state_role(later) != "good"


@pytest.mark.parametrize(("all_cells", "weight"), [(False, Weight.NOTE), (True, Weight.CAUTION)])
def test_what_is_set_aside_is_never_all_even(all_cells: bool, weight: Weight) -> None:
    replay = make_replay(sag_v=0.0)
    assert replay.snapshot(20 * S).word == "ALL EVEN"
    layout = replay.vehicle.pack
    assert layout is not None
    cells = range(len(layout.cells)) if all_cells else (3,)
    shot = replace(replay, set_aside=frozenset(("cell", i) for i in cells)).snapshot(20 * S)
    assert shot.word == "SET ASIDE"
    assert [t.weight for t in shot.troubles if t.word == "SET ASIDE"] == [weight]
