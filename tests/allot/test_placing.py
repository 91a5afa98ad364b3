"""``busplan allot`` on the invented demo van: the answer is written, loaded, checked, simulated."""

import json
from pathlib import Path
from typing import Any

import pytest
from support.command import busplan

from busplan.checks.registry import run_checks
from busplan.findings import Weight
from busplan.plan.reader import load_plan
from busplan.timing.gateways import vehicle_timing

DEMO = Path(__file__).parents[2] / "dbc_examples"
FAULTS = {
    *("identifier-clash", "identical-parts-clash", "source-address-clash", "bit-rate"),
    *("route-missing", "deadline-missed", "load-over-limit"),
}
"""What is wrong with the plan as bought that placement can mend."""


def bought(folder: Path, *edits: tuple[str, str]) -> Path:
    """The plan as bought, with its definitions, edited."""
    text = (DEMO / "as_bought.toml").read_text("utf-8")
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    text = text.replace('definitions = "', f'definitions = "{DEMO.as_posix()}/')
    path = folder / "van.toml"
    path.write_text(text, "utf-8")
    return path


@pytest.fixture(scope="module")
def mended(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, dict[str, Any]]:
    """The plan as bought, the one it becomes, and what was said; asked once for all tests."""
    folder = tmp_path_factory.mktemp("mended")
    plan, new = bought(folder), folder / "new.toml"
    told = busplan("allot", plan, "--json", "--out", new)
    assert told.code == 1, "cautions of the cable are left"
    return plan, new, json.loads(told.out)


def codes(plan: Path) -> set[str]:
    return {f.code for f in run_checks(load_plan(plan)) if f.weight > Weight.NOTE}


def test_the_van_as_bought_is_mended_at_the_least_cost(
    mended: tuple[Path, Path, dict[str, Any]],
) -> None:
    plan, new, told = mended
    assert codes(plan) >= FAULTS - {"deadline-missed"}
    assert told["proven"] is True
    assert codes(new) == {"stub-too-long", "terminators-wrong", "trunk-too-long"}
    assert "# flaw 2: two identical pumps" in new.read_text("utf-8"), "comments are kept"
    assert not any(n.missed for n in vehicle_timing(load_plan(new)).networks.values())
    simulated = busplan("simulate", new, "--seconds", "2", "--json")
    assert simulated.code <= 1, "no deadline was passed on the simulated bus"
    again = busplan("allot", new)
    assert "Nothing has to change" in again.out


def test_a_change_refused_makes_the_answer_dearer_and_is_not_in_it(
    mended: tuple[Path, Path, dict[str, Any]],
) -> None:
    plan, _, first = mended
    assert first["cost"] == pytest.approx(sum(c["cost"] for c in first["changes"]))
    names = [c["refuse"] for c in first["changes"]]
    assert "move lift body" in names
    refusing = ("--only", "placement", "--refuse", "move lift body")
    second = json.loads(busplan("allot", plan, "--json", *refusing).out)
    assert second["cost"] > first["cost"]
    assert "move lift body" not in [c["refuse"] for c in second["changes"]]
    assert first["others"][0]["cost"] == pytest.approx(second["cost"]), "told as the other answer"
    wrong = busplan("allot", plan, "--refuse", "move lift boddy")
    assert (wrong.code, wrong.out) == (3, "")
    assert 'did you mean "move lift body"' in wrong.err


NO_GUESTS = [
    ("[network.charge]\n", "[network.charge]\nguests = false\n"),
    ("[network.drive]\n", "[network.drive]\nguests = false\n"),
    ("[network.pack]\n", "[network.pack]\nguests = false\n"),
]


def test_twins_without_a_second_network_cannot_live_together(tmp_path: Path) -> None:
    told = busplan("allot", bought(tmp_path, *NO_GUESTS), "--json")
    assert told.code == 2
    shown = json.loads(told.out)
    assert (shown["solved"], shown["conflict"]["nodes"]) == (False, ["pump_1", "pump_2"])
    frees = shown["conflict"]["frees"]
    assert "one more network" in frees
    assert "pump_2 with other identifiers" in frees
    words = " ".join(busplan("allot", bought(tmp_path, *NO_GUESTS)).out.split())
    assert "have no place together: pump_1 and pump_2" in words


def test_what_may_be_bought_or_added_is_weighed(tmp_path: Path) -> None:
    """The plan as built has a sixth network and a pump bought anew; here either is enough."""
    part = ("[part.pump]\n", "[part.pump]\nbuy_other_identifiers = 3\n")
    plan, new = bought(tmp_path, *NO_GUESTS, part), tmp_path / "bought.toml"
    assert busplan("allot", plan, "--out", new).code == 1
    after = load_plan(new)
    pumps = [after.nodes[n].identifier_offset for n in ("pump_1", "pump_2")]
    assert sorted(pumps)[0] == 0 < sorted(pumps)[1]
    assert after.parts["pump"].identifiers == tuple(sorted(pumps))
    assert codes(new) == {"stub-too-long", "terminators-wrong", "trunk-too-long"}
    extra = ("[vehicle]\n", "[allot]\nnew_networks = 1\n[vehicle]\n")
    plan, new = bought(tmp_path, *NO_GUESTS, extra), tmp_path / "added.toml"
    told = busplan("allot", plan, "--out", new)
    assert told.code == 1, told.err
    assert "a new network network_1" in told.out
    assert load_plan(new).networks["network_1"].bit_rate == 250_000
    assert codes(new) <= {"stub-too-long", "terminators-wrong", "trunk-too-long"}
