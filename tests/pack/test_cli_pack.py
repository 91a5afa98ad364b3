"""``busplan pack`` on the shipped captures: what they hide, bad input, JSON, plots."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from busplan.cli.app import app
from busplan.errors import UsageError

ROOT = Path(__file__).parents[2]
PLAN = str(ROOT / "dbc_examples" / "as_built.toml")


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["pack", *words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout


def capture(name: str) -> str:
    return str(ROOT / "captures" / f"{name}_short.log.gz")


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("warm_up", [("module-slow", "Temperature3"), ("sensor-stuck", "Temperature2")]),
        ("drive", [("cell-resistance-high", "CellVoltage05"), ("monitor-silent", None)]),
        ("charge", [("cell-first-to-top", "CellVoltage17")]),
    ],
)
def test_the_shipped_captures_give_exactly_what_was_planted(
    name: str, found: list[tuple[str, str | None]]
) -> None:
    code, text = run(capture(name), "--plan", PLAN, "--json")
    value = json.loads(text)
    heavy = [f for f in value["findings"] if f["weight"] != "note"]
    assert [(f["code"], f["where"].get("signal")) for f in heavy] == found
    assert code == 1
    assert value["invented"] is True
    assert all("time_ns" in f["where"] for f in heavy)


def test_the_weak_cells_resistance_is_within_a_tenth_of_the_simulated_one() -> None:
    from busplan.demo import cells

    _, text = run(capture("drive"), "--plan", PLAN, "--json")
    row = json.loads(text)["cells"][52]
    simulated = (cells.RESISTANCE_OHM + cells.WEAK_CELL_EXTRA_OHM) * 1e3
    assert row["resistance_mohm"] == pytest.approx(simulated, rel=0.10)


def test_the_verdict_stands_on_one_screen_with_the_cautions() -> None:
    code, text = run(capture("warm_up"), "--plan", PLAN)
    assert code == 1
    assert len(text.splitlines()) <= 24
    assert max(map(len, text.splitlines())) <= 100
    assert "High voltage can kill" in text
    assert "not a safety device" in text
    assert "C2 slow" in text
    assert "Magpie (invented)" in text


def test_what_stood_still_is_told_as_one_figure_and_not_as_a_range() -> None:
    _, text = run(capture("key_on_welded"), "--plan", PLAN)
    assert "inside: 3.910 to 3.917 V, 19.0 °C, 0:15 at rest" in text


def test_tables_show_every_module_and_cell() -> None:
    _, text = run(capture("drive"), "--plan", PLAN, "--tables")
    assert len([line for line in text.splitlines() if line.startswith(" ") is False]) > 10
    for module in ("A1", "C2", "D3"):
        assert f"\n{module} " in text
    assert "\n  53  C1" in text
    # Without a terminal as in one of 80 columns.
    assert max(map(len, text.splitlines())) <= 80
    assert "do:  " in text


def test_a_short_warm_up_says_how_much_longer() -> None:
    code, text = run(capture("warm_up"), "--plan", PLAN, "--test", "warm-up", "--span", "40:90")
    assert "min more" in text
    assert "\n? warm-up " in text
    assert "module-slow" not in text
    assert code == 1  # the stuck sensor shows all the same


def test_what_a_judgement_keeps_is_what_a_later_one_is_held_against(tmp_path: Path) -> None:
    kept = str(tmp_path / "kept.json")
    run(capture("charge"), "--plan", PLAN, "--keep", kept)
    _, text = run(capture("charge"), "--plan", PLAN, "--before", kept)
    assert "drift" in text
    assert "none moved since then, of" in text


def test_drift_against_an_older_capture() -> None:
    _, text = run(capture("charge"), "--plan", PLAN, "--before", capture("charge"))
    assert "+ drift" in text
    assert "cell-drift" not in text


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "wants CAPTURE"),
        ([capture("drive")], "wants CAPTURE"),
        ([capture("drive"), "--plan", PLAN, "--test", "swim"], "test is one of"),
        ([capture("drive"), "--plan", PLAN, "--span", "5"], "wants A:B"),
        ([capture("drive"), "--plan", PLAN, "--span", "900:9000"], "inside the capture"),
    ],
)
def test_wrong_calls_end_in_one_clear_sentence(words: list[str], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        run(*words)


def test_a_proposal_from_plan_or_dbc() -> None:
    code, text = run("--suggest", PLAN)
    assert code == 0
    assert "96 cells, 24 sensors" in text
    code, text = run("--suggest", str(ROOT / "dbc_examples" / "monitor.dbc"), "--json")
    assert json.loads(text)["cells"] == 24


@pytest.mark.parametrize("form", ["png", "svg"])
def test_plots_carry_the_cautions(tmp_path: Path, form: str) -> None:
    pytest.importorskip("matplotlib")
    words = ["--svg"] if form == "svg" else []
    run(capture("warm_up"), "--plan", PLAN, "--plots", str(tmp_path / "plots"), *words)
    files = sorted((tmp_path / "plots").iterdir())
    assert [f.name for f in files] == [
        f"pack_warm_up_exchange.{form}",
        f"pack_warm_up_modules.{form}",
    ]
    head = {"png": b"\x89PNG", "svg": b"<?xml"}[form]
    assert all(f.read_bytes().startswith(head) for f in files)


def test_names_in_a_plot_keep_apart_and_inside() -> None:
    from matplotlib.figure import Figure

    from busplan.cli.pack_plots import _names

    figure = Figure(figsize=(9.6, 5.4), dpi=100)
    axes = figure.subplots()
    axes.set(xlim=(0.0, 97.0), ylim=(0.0, 1.0))
    _names(axes, [("cell 94", 94, 0.5), ("cell 95", 95, 0.51), ("cell 1", 1, 0.5)])
    figure.draw_without_rendering()
    boxes = [t.get_window_extent() for t in axes.texts]
    assert len(boxes) == 3
    for i, box in enumerate(boxes):
        assert axes.bbox.x0 <= box.x0
        assert box.x1 <= axes.bbox.x1
        assert not any(box.overlaps(other) for other in boxes[:i])
