"""``busplan allot`` on the invented demo van: the answer is written, loaded, checked, simulated."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.command import busplan

from busplan.allot.asking import ask
from busplan.allot.effect import effects
from busplan.allot.programme import Programme
from busplan.allot.proposal_report import as_dict, conflict_sentences, headline
from busplan.allot.steps import steps
from busplan.allot.wants import parse_want
from busplan.allot.whole import Answer, Proposal, judged, propose
from busplan.checks.registry import run_checks
from busplan.findings import Weight
from busplan.plan.reader import OpenPlan, load_plan
from busplan.timing.gateways import vehicle_timing
from busplan.timing.slack import network_slack

DEMO = Path(__file__).parents[2] / "dbc_examples"
FAULTS = {
    *("identifier-clash", "identical-parts-clash", "source-address-clash", "bit-rate"),
    *("route-missing", "deadline-missed", "load-over-limit"),
}
"""What is wrong with the plan as bought that placement can mend."""
CABLE = {"stub-too-long", "terminators-wrong", "trunk-too-long"}
"""Cautions of the cable, which no placement mends."""


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
    assert codes(new) == CABLE
    assert "# flaw 2: two identical pumps" in new.read_text("utf-8"), "comments are kept"
    assert not any(n.missed for n in vehicle_timing(load_plan(new)).networks.values())
    simulated = busplan("simulate", new, "--seconds", "2", "--json")
    assert simulated.code <= 1, "no deadline was passed on the simulated bus"
    again = busplan("allot", new)
    assert "Nothing has to change" in again.out


def proposed(plan: Path, **how: Any) -> Proposal:
    """The one best answer for a plan, as the command finds it."""
    opened = OpenPlan(plan)
    return propose(opened.vehicle, opened.changed, others=False, **how)


def test_a_change_refused_makes_the_answer_dearer_and_is_not_in_it(
    mended: tuple[Path, Path, dict[str, Any]],
) -> None:
    plan, _, first = mended
    assert first["cost"] == pytest.approx(sum(c["cost"] for c in first["changes"]))
    names = [c["refuse"] for c in first["changes"]]
    assert "move lift body" in names
    second = as_dict(proposed(plan, identifiers=False, refused=["move lift body"]))
    assert second["cost"] > first["cost"]
    assert "move lift body" not in [c["refuse"] for c in second["changes"]]
    assert first["others"][0]["cost"] == pytest.approx(second["cost"]), "told as the other answer"
    wrong = busplan("allot", plan, "--refuse", "move lift boddy")
    assert (wrong.code, wrong.out) == (3, "")
    assert 'did you mean "move lift body"' in wrong.err


def test_the_van_mended_with_room_to_grow_costs_more(
    mended: tuple[Path, Path, dict[str, Any]],
) -> None:
    """Queues first in, first out and identifiers that may change are weighed within the bound."""
    plan, _, first = mended
    found = proposed(plan, want=parse_want("growth=1.5"))
    assert found.proven
    assert found.best is not None
    assert found.best.cost > first["cost"]
    for network in found.best.vehicle.networks:
        assert (network_slack(found.best.vehicle, network).growth or 0) >= 1.5


BUYING = ("[part.pump]\n", "[part.pump]\nbuy_other_identifiers = 3\n")
ADDING = ("[vehicle]\n", "[allot]\nnew_networks = 1\n[vehicle]\n")


def test_the_plan_as_built_works_too_and_costs_more_for_more_room(tmp_path: Path) -> None:
    """A sixth network, a pump bought anew and guests on all networks may be had together: none of
    them pays, and what the plan as built does instead is room to grow."""
    plan = bought(tmp_path, BUYING, ADDING)
    found = proposed(plan)
    assert found.proven
    assert found.best is not None
    told = " ".join(s.what for s in steps(found.best))
    assert "a new network" not in told
    assert "is bought" not in told
    built = as_built(plan)
    assert {f.code for f in built.findings if f.weight is Weight.FAULT} == set()
    # Network 4, purchase 3, five connections moved, an offset, an address, two routes.
    assert built.cost == pytest.approx(4 + 3 + 5 + 0.5 + 0.5 + 0.2 + 0.02)
    assert found.best.cost < built.cost
    growth = {e.network: e.after.growth for e in effects(found.before, built.vehicle) if e.after}
    cheap = {
        e.network: e.after.growth for e in effects(found.before, found.best.vehicle) if e.after
    }
    assert (growth["body"] or 0) > (growth["network_1"] or 0) > (cheap["body"] or 0)


def as_built(plan: Path) -> Answer:
    """What as_built.toml does with its nodes, as an answer to the plan as bought."""
    opened = OpenPlan(plan)
    asked = ask(opened.vehicle)
    question, rows = asked.question, Programme(asked.question).rows
    numbers = {net.name: k for k, net in enumerate(question.nets)}
    cabin = [asked.unit("supervisor", "cabin")]
    cabin += [
        i
        for i, u in enumerate(question.units)
        if u.node in ("display", "shelf_lights", "door", "lift")
    ]
    new, body = numbers["network_1"], numbers["body"]
    options = next(u.options for u in question.units if u.node == "pump_2")
    chosen = [rows.place[i, new] for i in cabin]
    chosen += [rows.rate[new, 250_000], rows.rate[body, 125_000]]
    chosen += [
        rows.place[i, body] for i, u in enumerate(question.units) if u.node.startswith("pump")
    ]
    chosen.append(rows.option["pump_2", [o.kind for o in options].index("bought")])
    fixed = dict.fromkeys(chosen, 1.0)
    placement = Programme(question).solve(30.0, fixed=fixed).answer
    assert placement is not None
    return judged(asked, opened.changed, placement)


NO_GUESTS = [
    ("[network.charge]\n", "[network.charge]\nguests = false\n"),
    ("[network.drive]\n", "[network.drive]\nguests = false\n"),
    ("[network.pack]\n", "[network.pack]\nguests = false\n"),
]


def test_twins_without_a_second_network_cannot_live_together(tmp_path: Path) -> None:
    found = proposed(bought(tmp_path, *NO_GUESTS))
    shown = as_dict(found)
    assert (shown["solved"], shown["conflict"]["nodes"]) == (False, ["pump_1", "pump_2"])
    frees = shown["conflict"]["frees"]
    assert "one more network" in frees
    assert "pump_2 with other identifiers" in frees
    assert found.conflict is not None
    told = " ".join((headline(found), *conflict_sentences(found.conflict)))
    assert "have no place together: pump_1 and pump_2" in told


def twins(folder: Path, extra: str = "") -> Path:
    """Two parts of one identifier on the only network."""
    plan = folder / "twins.toml"
    one = (
        "[part.{0}]\nbit_rates = [125_000, 250_000]\n[[part.{0}.message]]\nname = '{0}'\n"
        "identifier = 0x20\nbytes = 8\ncycle_ms = 50\n[node.{0}]\npart = '{0}'\non = ['only']\n"
    )
    head = "[vehicle]\nname = 'Twins (invented)'\n[network.only]\nbit_rate = 250_000\n"
    plan.write_text(head + one.format("a") + one.format("b") + extra, "utf-8")
    return plan


def test_what_has_no_answer_ends_as_a_fault_does(tmp_path: Path) -> None:
    told = busplan("allot", twins(tmp_path))
    assert told.code == 2
    assert "These have no place together: a and b" in " ".join(told.out.split())
    shown = json.loads(busplan("allot", twins(tmp_path), "--json").out)
    assert shown["conflict"]["nodes"] == ["a", "b"]


def test_a_new_network_is_added_where_the_plan_allows_one(tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    told = busplan("allot", twins(tmp_path, "[allot]\nnew_networks = 1\n"), "--out", new)
    assert told.code <= 1, told.err
    assert "a new network network_1 at" in told.out
    after = load_plan(new)
    assert sorted(len(after.nodes_on(n)) for n in ("only", "network_1")) == [1, 1]
    assert codes(new) == set()


def test_what_was_refused_as_a_whole_is_told_beside_the_bound(tmp_path: Path) -> None:
    found = proposed(twins(tmp_path, "[allot]\nnew_networks = 1\n"))
    assert found.proven
    assert "refused" not in headline(found)
    told = {n: headline(replace(found, bound=found.bound / 2, refuted=n)) for n in (0, 1, 2)}
    assert told[0].endswith("so at most 50.0 % could be saved.")
    why = (
        "a whole plan was refused for delays that identifiers changed for it bring through gateways"
    )
    assert f"could be saved. 1 time {why}" in told[1]
    assert f"2 times {why}" in told[2]
    assert told[2].endswith("what was refused so is no part of the bound.")
    assert as_dict(replace(found, refuted=2))["refused_as_a_whole"] == 2


def test_a_part_bought_with_other_identifiers_is_an_answer(tmp_path: Path) -> None:
    best = proposed(bought(tmp_path, *NO_GUESTS, BUYING)).best
    assert best is not None
    after = best.vehicle
    pumps = [after.nodes[n].identifier_offset for n in ("pump_1", "pump_2")]
    assert sorted(pumps)[0] == 0 < sorted(pumps)[1]
    assert after.parts["pump"].identifiers == tuple(sorted(pumps))
    assert {f.code for f in best.findings if f.weight > Weight.NOTE} == CABLE


def test_a_network_on_which_nothing_is_sent_bears_nothing(tmp_path: Path) -> None:
    """Two nodes on one identifier, and a network without any: what nobody sends is no evidence."""
    lines = ['[vehicle]\nname = "Two"\n']
    lines += [f"[network.{name}]\nbit_rate = 500000\n" for name in ("full", "empty")]
    for name in ("one", "two"):
        lines.append(
            f"[part.{name}]\nidentifiers = 'free'\n[[part.{name}.message]]\nname = 'M_{name}'\n"
            "identifier = 0x10\nbytes = 8\ncycle_ms = 10\n"
            f"[node.{name}]\npart = '{name}'\non = ['full']\n"
        )
    path = tmp_path / "plan.toml"
    path.write_text("".join(lines), "utf-8")
    table = {
        row.split()[0]: row.split()[1:]
        for row in busplan("allot", path).out.splitlines()
        if row.startswith(("full ", "empty "))
    }
    assert table["empty"][-2:] == ["-", "-"]
    assert float(table["full"][-1]) > 0


def test_a_bit_rate_that_the_plan_does_not_allow_is_told_where_it_helps_for_certain(
    tmp_path: Path,
) -> None:
    """Two messages of 135 bits (the longest frame of 8 bytes: Davis et al. 2007, section 3.1), one
    due in 2.0 ms. It takes 1.35 ms at 100 kbit/s; with the other 2.70 ms, at 125 kbit/s 2.16 ms, at
    250 kbit/s 1.08 ms."""
    plan = twins(tmp_path)
    text = plan.read_text("utf-8").replace("[125", "[100_000, 125").replace("only", "a.b")
    text = text.replace("[network.a.b]\nbit_rate = 250_000", '[network."a.b"]\nbit_rate = 100_000')
    text = text.replace("identifier = 0x20", "identifier = 0x30", 1)
    due = "".join(
        f'[message."a.b/{name}"]\ndeadline_ms = {ms}\n' for name, ms in (("a", 2.0), ("b", 2.5))
    )
    stated = text.replace("bit_rate = 100_000", "bit_rate = 100_000\nbit_rates = [100_000]") + due
    plan.write_text(stated, "utf-8")
    found = proposed(plan)
    assert found.conflict is not None
    assert found.conflict.nodes == ("a", "b")
    rates = [told for told in found.conflict.frees if "bit_rates" in told]
    assert rates == ['bit_rates = [100000, 250000] in [network."a.b"]']
    freed = stated.replace("bit_rates = [100_000]\n", "bit_rates = [100_000, 250_000]\n")
    assert freed != stated
    plan.write_text(freed, "utf-8")
    assert proposed(plan).best is not None
