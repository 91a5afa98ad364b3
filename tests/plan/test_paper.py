"""Parts on paper: the same as with a definition file, whatever is asked of the plan."""

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.demo_files import demo_dbc_files
from support.paper import on_paper
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.bench.prove import prove_node
from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.checks import run_checks
from busplan.checks.planned_load import network_loads
from busplan.definitions.dbc import load_dbc
from busplan.definitions.model import Message
from busplan.demo.files import plan_file, shipped
from busplan.plan.paper_text import paper_text, quoted
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.timing.gateways import vehicle_timing

HEAD = """\
[network.a]
bit_rate = 250_000
[part.pump]
[node.pump]
part = "pump"
on = ["a"]
"""


def plain(message: Message) -> Message:
    """Without the place where it stands, and what only one of the two ways of writing has."""
    heard = tuple(replace(s, receivers=tuple(sorted(s.receivers))) for s in message.signals)
    return replace(message, file="", line=None, to=(), signals=heard)


def vehicle(folder: Path, tables: str) -> Vehicle:
    return load_plan(write_plan(folder, HEAD + tables))


@pytest.mark.parametrize("path", demo_dbc_files(), ids=lambda p: p.stem)
def test_every_definition_file_of_the_demo_can_be_written_on_paper(
    path: Path, tmp_path: Path
) -> None:
    messages = load_dbc(path).messages
    own = messages[0].senders[0]
    head = HEAD.replace("[part.pump]", f'[part.pump]\nsender = "{own}"')
    plan = write_plan(tmp_path, head + paper_text("pump", messages, own))
    part = load_plan(plan).parts["pump"]
    assert [plain(m) for m in part.ports[""].messages] == [plain(m) for m in messages]


@pytest.mark.parametrize("plan", ["as_built", "as_bought"])
def test_the_charger_on_paper_gives_the_same_findings_loads_and_response_times(
    tmp_path: Path, plan: str
) -> None:
    file = load_plan(plan_file(plan))
    paper = load_plan(on_paper(tmp_path, "charger", plan))
    assert not paper.parts["charger"].ports[""].files

    def findings(v: Vehicle) -> list[object]:
        found = run_checks(v)
        return [
            (f.code, f.weight, f.summary, f.action, f.figures, replace(f.where, file=None))
            for f in (replace(f, where=replace(f.where, line=None)) for f in found)
        ]

    assert findings(paper) == findings(file)
    loads = [{n: (x.nominal, x.worst) for n, x in network_loads(v).items()} for v in (file, paper)]
    assert loads[0] == loads[1]
    times = [
        {label: (r.response_ns, r.deadline) for label, r in vehicle_timing(v).by_label.items()}
        for v in (file, paper)
    ]
    assert len(times[0]) > 90
    assert times[0] == times[1]


def test_the_charger_on_paper_is_proven_on_the_bench_as_with_its_file(tmp_path: Path) -> None:
    log = shipped("captures") / "bench_charger_short.log.gz"
    told = []
    for path in (plan_file("as_built"), on_paper(tmp_path, "charger")):
        v = load_plan(path)
        report = prove_node(apply_plan(read_capture(log), v).frames, v, "charger")
        told.append([(f.code, f.summary) for f in report.findings])
    assert told[0]
    assert told[0] == told[1]


def test_a_message_without_signals_is_sent_received_and_loads_the_bus(tmp_path: Path) -> None:
    tables = (
        "[[part.pump.message]]\nidentifier = 0x120\nbytes = 8\ncycle_ms = 100\n"
        'receivers = ["vcu"]\n'
        '[[part.pump.message]]\nname = "Order"\nidentifier = 0x18FF0102\nbytes = 4\n'
        'sender = "vcu"\n'
    )
    v = vehicle(tmp_path, tables)
    (sent,) = v.streams
    assert (sent.label, sent.message.label, sent.message.extended) == (
        "a/pump/Message_120",
        "0x120",
        False,
    )
    assert sent.message.receivers == ("vcu",)
    (need,) = v.needs
    assert (need.node, need.message.name, need.message.extended) == ("pump", "Order", True)
    assert need.signal is None
    assert "sender-missing" in {f.code for f in run_checks(v)}
    assert network_loads(v)["a"].nominal > 0


def test_a_definition_file_and_paper_go_together(tmp_path: Path) -> None:
    tail = '[[part.pump.message]]\nname = "Extra"\nidentifier = 0x121\nbytes = 2\n'
    v = load_plan(write_plan(tmp_path, PLAN + tail, pump=PUMP, vcu=VCU))
    assert {s.message.name for s in v.streams if s.node == "pump"} == {"PumpStatus", "Extra"}


def test_what_is_odd_is_told_with_the_line_of_the_plan(tmp_path: Path) -> None:
    tables = (
        '[[part.pump.message]]\nname = "M"\nidentifier = 0x120\nbytes = 1\ncycle_ms = 10\n'
        '[[part.pump.message.signal]]\nname = "A"\nstart = 0\nlength = 8\n'
        '[[part.pump.message.signal]]\nname = "B"\nstart = 4\nlength = 8\n'
    )
    found = {f.code: f for f in vehicle(tmp_path, tables).findings}
    assert set(found) == {"definition-signals-overlap", "definition-signal-outside"}
    assert {f.where.line for f in found.values()} == {7}
    assert all((f.where.file or "").endswith("plan.toml") for f in found.values())


def test_a_draft_is_a_caution_until_somebody_confirms_it(tmp_path: Path) -> None:
    tables = '[[part.pump.message]]\nname = "M"\nidentifier = 0x120\nbytes = 1\ncycle_ms = 10\n'
    (found,) = vehicle(tmp_path, tables + "confidence = 0.4\n").cautions
    assert (found.code, found.where.message) == ("definition-draft", "M")
    assert [f.value for f in found.figures] == [1, 0.4]
    assert not vehicle(tmp_path, tables).cautions


def test_a_definition_file_says_by_attribute_that_it_is_a_draft(tmp_path: Path) -> None:
    drafted = PUMP + (
        'BA_DEF_ BO_ "DraftConfidence" FLOAT 0 1;\nBA_DEF_DEF_ "DraftConfidence" 1;\n'
        'BA_ "DraftConfidence" BO_ 288 0.6;\n'
    )
    v = load_plan(write_plan(tmp_path, PLAN, pump=drafted, vcu=VCU))
    (found,) = [f for f in v.cautions if f.code == "definition-draft"]
    assert (found.where.message, [f.value for f in found.figures]) == ("PumpStatus", [1, 0.6])


@given(st.text())
def test_no_text_leaves_its_quotes(text: str) -> None:
    kept = "".join("\ufffd" if "\ud800" <= c < "\ue000" else c for c in text)
    assert tomllib.loads(f"a = {quoted(text)}") == {"a": kept}
