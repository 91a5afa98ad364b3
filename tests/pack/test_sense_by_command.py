"""Each sense check by ``busplan pack``: capture, definitions and plan written apart, as on a bus.

Every planted fault is named with its code and nothing else electrical is; its healthy twin is not.
Truth: closed forms of tests/truth/electrical.py; bounds are common practice, no source, or the
check names them.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import trapezoid
from support.on_bus import written
from support.sense import thinned
from truth.electrical import Charge, Wiring, key_on
from truth.electrical_cases import AROUND, CHARGES, KEY_ON, Sent, charging_cells
from typer.testing import CliRunner

from busplan.cli.app import app
from busplan.finding_codes.pack_sense import SENSE
from busplan.pack.series import Trace

CODES = {entry.code for entry in SENSE}
CELLS = 96


def told(folder: Path, sent: Sent) -> tuple[list[str], dict[str, Any], int]:
    """Electrical codes that the command told, its document, and its exit code."""
    capture, plan = written(folder, sent.traces, sent.cells, sent.sensors, **sent.plan)
    words = ["pack", str(capture), "--plan", str(plan), "--no-cache", "--json"]
    result = CliRunner().invoke(app, words)
    assert isinstance(result.exception, SystemExit | None), result.exception
    value = json.loads(result.stdout)
    return [f["code"] for f in value["findings"] if f["code"] in CODES], value, result.exit_code


def keys(singles: bool = False, **wrong: Any) -> Sent:
    """Keys turned on, with cells that share the pack's voltage."""
    made = key_on(3, Wiring(pack_v=CELLS * 3.7, tau_s=0.5, **wrong), singles=singles)
    pack = made.traces["voltage"]
    rng = np.random.default_rng(1)
    own = 0.002 * rng.standard_normal(CELLS)
    noise = 0.0005 * rng.standard_normal((CELLS, len(pack)))
    cells = [
        Trace(pack.time_s, np.round(pack.value / CELLS + v + n, 3), 0.001)
        for v, n in zip(own - own.mean(), noise, strict=True)
    ]
    return Sent(dict(made.traces), cells)


def around(name: str, planted: bool) -> Sent:
    """A case with cells beside it where it has none."""
    made = next(c for c in AROUND if c.name == name).make(5, planted)
    if made.cells:
        return made
    end = max(float(t.time_s[-1]) for t in made.traces.values())
    time = np.arange(0.0, end, 0.5)
    noise = 0.0005 * np.random.default_rng(2).standard_normal((4, len(time)))
    sag = 0.0
    if "current" in made.traces:
        current = made.traces["current"]
        sag = 0.0008 * np.interp(time, current.time_s, current.value)
    cells = [Trace(time, np.round(3.7 - sag + n, 3), 0.001) for n in noise]
    return Sent(made.traces, cells, made.sensors, made.plan)


def check_of(value: dict[str, Any], name: str) -> dict[str, Any]:
    (found,) = [c for c in value["checks"] if c["name"] == name]
    return found


@pytest.mark.parametrize("fault", [k[0] for k in KEY_ON])
def test_a_fault_of_contactors_and_pre_charge(fault: str, tmp_path: Path) -> None:
    _, plant, code, weight = next(k for k in KEY_ON if k[0] == fault)
    codes, value, ends = told(tmp_path, keys(**plant))
    assert codes == [code]
    assert [f["weight"] for f in value["findings"] if f["code"] == code] == [weight]
    assert ends == (2 if weight == "fault" else 1)


def test_a_healthy_key_tells_share_and_time_constant(tmp_path: Path) -> None:
    codes, value, _ = told(tmp_path, keys(singles=True))
    assert codes == []
    for name in ("contactors", "link while open", "link while closed", "contactor feedback"):
        assert check_of(value, name)["answer"] == "good", name
    figures = {f["name"]: f["interval"] for f in check_of(value, "contactors")["figures"]}
    for name, true in (("link share at closing", 99.0), ("pre-charge time constant", 0.5)):
        assert figures[name]["low"] <= true <= figures[name]["high"], name


def test_a_feedback_that_does_not_follow_and_one_that_never_comes(tmp_path: Path) -> None:
    made = keys(singles=True)
    plus = made.traces["plus_contactor"]
    deaf = made.traces | {"plus_contactor": replace(plus, value=0.0 * plus.value)}
    codes, value, ends = told(tmp_path, replace(made, traces=deaf))
    # The link at the pack says that plus is closed, whatever its feedback says.
    assert set(codes) == {"contactor-feedback", "contactor-welded"}
    assert (check_of(value, "contactor feedback")["answer"], ends) == ("bad", 2)
    silent = made.traces | {"plus_contactor": thinned(plus, plus.time_s < 0)}
    codes, value, _ = told(tmp_path, replace(made, traces=silent))
    assert codes == []
    assert value["answer"] != "good"
    (signals,) = [s for s in value["sections"] if s["name"] == "signals"]
    assert signals["answer"] == "not shown"
    assert "plus contactor" in signals["missing"]


@pytest.mark.parametrize("fault", [c[0] for c in CHARGES])
def test_a_fault_of_the_charger(fault: str, tmp_path: Path) -> None:
    _, how, code, check = next(c for c in CHARGES if c[0] == fault)
    codes, value, _ = told(tmp_path, charging_cells(1, how))
    assert codes == [code]
    assert check_of(value, check)["answer"] == "bad"


def test_a_healthy_charge_is_good_and_counts_what_went_in(tmp_path: Path) -> None:
    made = charging_cells(1, Charge())
    codes, value, ends = told(tmp_path, made)
    assert (codes, ends) == ([], 0)
    for name in ("charger current", "charger voltage", "end of charge", "first full cell"):
        assert check_of(value, name)["answer"] == "good", name
    current, volts = made.traces["current"], made.traces["voltage"]
    watts = -current.value * np.interp(current.time_s, volts.time_s, volts.value)
    for name, rate in (("charge in", -current.value), ("energy in", watts / 1000)):
        true = float(trapezoid(rate, current.time_s)) / 3600
        figure = next(
            f for f in check_of(value, "charge and energy")["figures"] if f["name"] == name
        )
        assert figure["value"] == pytest.approx(true, rel=0.01), name


@pytest.mark.parametrize("fault", [c.name for c in AROUND])
def test_a_fault_around_the_pack(fault: str, tmp_path: Path) -> None:
    case = next(c for c in AROUND if c.name == fault)
    codes, value, ends = told(tmp_path, around(fault, planted=True))
    assert codes == [case.code]
    assert check_of(value, case.check)["answer"] == "bad"
    assert ends > 0


@pytest.mark.parametrize("check", sorted({c.check for c in AROUND}))
def test_the_healthy_twin_gives_nothing(check: str, tmp_path: Path) -> None:
    case = next(c for c in AROUND if c.check == check)
    codes, value, ends = told(tmp_path, around(case.name, planted=False))
    assert (codes, ends) == ([], 0)
    assert check_of(value, check)["answer"] == "good"


def test_a_limit_at_rest_is_told_with_how_long(tmp_path: Path) -> None:
    time = np.arange(0.0, 120.0, 0.1)
    amps = np.where(time < 60.0, 20.0, 0.0)
    high = np.where((time > 80.0) & (time < 100.0), 4.25, 4.1)
    noise = 0.0004 * np.random.default_rng(1).standard_normal((4, len(time)))
    cells = [
        Trace(time, np.round(v - 0.002 * amps + n, 3), 0.001)
        for v, n in zip([high, *[np.full(len(time), 4.1)] * 3], noise, strict=True)
    ]
    _, value, ends = told(tmp_path, Sent({"current": Trace(time, amps, 0.1)}, cells))
    assert ends > 0
    by_mode = {w["mode"]: w for w in value["limits"] if w["what"] == "cells"}
    assert by_mode["resting"]["answer"] == "bad"
    assert by_mode["resting"]["lasted_s"] == pytest.approx(60.0, abs=1.0)
    assert by_mode["resting"]["beyond_s"] == pytest.approx(20.0, abs=1.0)
    assert by_mode["discharging"]["answer"] == "good"
    assert by_mode["discharging"]["lasted_s"] == pytest.approx(60.0, abs=1.0)
    assert "at rest" in " ".join(f["summary"] for f in value["findings"])
