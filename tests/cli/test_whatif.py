"""``busplan whatif`` on the invented demo van: mending its flaws one after the other."""

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from support.command import busplan
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.cli import run

BOUGHT = Path(__file__).parents[2] / "dbc_examples" / "as_bought.toml"


def whatif(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *args: str
) -> tuple[Any, str]:
    monkeypatch.setattr(sys, "argv", ["busplan", "whatif", str(BOUGHT), *args])
    with pytest.raises(SystemExit) as stop:
        run()
    return stop.value.code, capsys.readouterr().out


def test_difference_as_json(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    args = ["--set", "node.dcdc.source_address=0xE6", "--move", "lift=body", "--json"]
    code, out = whatif(capsys, monkeypatch, *args)
    document = json.loads(out)
    gone = {f["code"] for f in document["gone"]}
    assert "source-address-clash" in gone
    # The lift speaks 250 kbit/s only: it fits drive (500) as little as body (125).
    moved = [f for f in document["new"] if f["code"] == "bit-rate"]
    assert [f["where"]["network"] for f in moved] == ["body"]
    assert "identifier-clash" in {f["code"] for f in document["same"]}
    loads = {c["network"]: c for c in document["loads"]}
    assert loads["drive"]["after"]["worst"] < loads["drive"]["before"]["worst"]
    assert loads["body"]["after"]["worst"] > loads["body"]["before"]["worst"]
    assert loads["pack"]["after"] == loads["pack"]["before"]
    assert code == 2


def test_twice_the_bit_rate_halves_the_load(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, out = whatif(capsys, monkeypatch, "--bit-rate", "body=250000", "--json")
    load = next(c for c in json.loads(out)["loads"] if c["network"] == "body")
    assert load["after"]["worst"] == pytest.approx(load["before"]["worst"] / 2)


def test_text_fits_80_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, out = whatif(capsys, monkeypatch, "--bit-rate", "body=250000", "--drop", "pump_2")
    assert max(map(len, out.splitlines())) <= 80
    assert "goes:" in out
    assert "after the change:" in out


def test_tests_beside_a_plan_are_not_lost_unseen(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, PLAN, pump=PUMP, vcu=VCU)
    call = ("whatif", plan, "--set", "network.main.load_limit=0.4", "--out")
    assert "follow" not in busplan(*call, tmp_path / "a.toml").err
    (tmp_path / "plan.tests.toml").write_text('[[test]]\nname = "x"\nlook = "y"\n', "utf-8")
    told = busplan(*call, tmp_path / "b.toml").err
    assert "do not follow it: copy them to" in " ".join(told.split())
    (tmp_path / "c.tests.toml").write_text('[[test]]\nname = "x"\nlook = "y"\n', "utf-8")
    assert "do not follow" not in busplan(*call, tmp_path / "c.toml").err
