"""Identifier clashes: three causes, three sentences, three remedies."""

from dataclasses import replace

from support.vehicles import stream, vehicle

from busplan.checks.clashes import check
from busplan.findings import Finding
from busplan.plan.vehicle import Part, Stream, Vehicle


def findings(*streams: Stream, **parts: Part) -> list[Finding]:
    return list(check(with_parts(vehicle(streams), **parts)))


def with_parts(v: Vehicle, **parts: Part) -> Vehicle:
    nodes = {n: replace(node, part=parts.get(n, node.part)) for n, node in v.nodes.items()}
    return replace(v, nodes=nodes, parts={p.name: p for p in parts.values()})


def test_two_makers() -> None:
    (finding,) = findings(
        stream(0x40, node="x", name="X"),
        stream(0x40, node="y", name="Y"),
        x=Part("px", "Ash", {}),
        y=Part("py", "Elm", {}, identifiers=(0, 8)),
    )
    assert finding.code == "identifier-clash"
    assert "0x040" in finding.summary
    assert "Ash and Elm" in finding.summary
    assert finding.action == "y can be moved: set its identifier_offset to 0x8."


def test_parts_of_unknown_makers_are_named_by_their_nodes_only() -> None:
    (finding,) = findings(
        stream(0x40, node="x"), stream(0x40, node="y"), x=Part("px", "", {}), y=Part("py", "", {})
    )
    assert finding.summary.endswith(" both send 0x040 on a.")


def test_identical_parts_give_one_finding_for_all_their_messages() -> None:
    pump = Part("pump", "Ash", {})
    (finding,) = findings(
        *(stream(i, node=n) for i in (1, 2, 3) for n in ("x", "y")), x=pump, y=pump
    )
    assert finding.code == "identical-parts-clash"
    assert "3 identifiers" in finding.summary
    assert "fixed" in finding.action


def test_identical_parts_with_offsets_are_told_to_use_them() -> None:
    pump = Part("pump", "Ash", {}, identifiers=(0, 0x10))
    (finding,) = findings(stream(1, node="x"), stream(1, node="y"), x=pump, y=pump)
    assert "0x10" in finding.action
    assert "send the same identifier on a: 0x001." in finding.summary


def test_different_lengths() -> None:
    (finding,) = findings(stream(1, node="x", length=8), stream(1, node="y", length=6))
    assert finding.code == "identifier-length-clash"
    assert "x (M1) with 8 bytes and y (M1) with 6 bytes" in finding.summary


def test_a_node_that_clashes_with_itself() -> None:
    (finding,) = findings(stream(1, name="A"), stream(1, name="B"))
    assert finding.summary == "n sends A and B under one identifier, 0x001."


def test_what_a_gateway_passes_on_can_clash_too() -> None:
    (finding,) = findings(stream(1, node="x"), stream(1, node="gate", via="M1 b→a"))
    assert "passed on by route M1 b→a" in finding.summary


def test_what_clashes_by_a_route_is_mended_in_the_route() -> None:
    (finding,) = findings(
        stream(0x40, node="x", name="X"), stream(0x40, node="gate", name="Y", via="Y up")
    )
    assert finding.action.startswith("State another identifier in the route Y up")
    (finding,) = findings(
        stream(0x40, node="x", name="X"),
        stream(0x40, node="gate", name="Y", via="Y up"),
        x=Part("px", "", {}, identifiers="free"),
    )
    assert finding.action.startswith("The identifiers of x are free")


def test_a_remedy_is_a_sentence() -> None:
    (same,) = findings(stream(0x40, node="x"), stream(0x40, node="y"))
    assert same.action.startswith("The identifiers of x and y are fixed")
    (other,) = findings(stream(0x40, node="x"), stream(0x40, node="y", length=4))
    assert "messages. The identifiers of" in other.action


def test_identifier_width_and_network_tell_messages_apart() -> None:
    assert not findings(stream(0x100, node="x"), stream(0x100, node="y", extended=True))
    assert not findings(stream(0x100, node="x"), stream(0x100, node="y", network="b"))
