"""J1939 source addresses: shared, reserved, and stated where nothing holds one."""

from pathlib import Path

from support.plan_findings import findings, only
from support.plans import PLAN, dbc, message, signal

from busplan.findings import Where
from busplan.plan.reader import load_plan

J1939_PLAN = PLAN.replace("250_000", "250_000\nj1939 = true").replace("[0x0, 0x10]", '"fixed"')


def j1939(sender: str, pgn: int, source: int) -> str:
    identifier = 6 << 26 | pgn << 8 | source
    return dbc(
        [sender], message(identifier, f"From{sender}", sender, signal(f"S{sender}"), extended=True)
    )


def test_source_address_clash(tmp_path: Path) -> None:
    definitions = {"pump": j1939("PUMP", 0xFF01, 0xE5), "vcu": j1939("VCU", 0xFF02, 0xE5)}
    found = [f for f in findings(tmp_path, J1939_PLAN, **definitions) if "address" in f.code]
    finding = only(found, "source-address-clash")
    assert "pump and vcu on loop share the source address 0xE5 (229)." in finding.summary
    mended = J1939_PLAN + "source_address = 0xE6\n"
    found = findings(tmp_path, mended, **definitions)
    assert not [f for f in found if "address" in f.code]
    vehicle = load_plan(tmp_path / "plan.toml")
    (moved,) = [s.message for s in vehicle.streams if s.node == "vcu"]
    assert (moved.identifier, moved.j1939 and moved.j1939.source) == (0x18FF02E6, 0xE6)


def test_equal_j1939_identifiers_are_told_once_as_an_address_clash(tmp_path: Path) -> None:
    definitions = {"pump": j1939("PUMP", 0xFF01, 0xE5), "vcu": j1939("VCU", 0xFF01, 0xE5)}
    codes = [f.code for f in findings(tmp_path, J1939_PLAN, **definitions) if "clash" in f.code]
    assert codes == ["source-address-clash"]


def test_an_address_that_no_identifier_can_hold(tmp_path: Path) -> None:
    plan = PLAN + "source_address = 0xE6\n"
    finding = only(findings(tmp_path, plan), "source-address-unused")
    assert finding.where == Where("loop", "vcu")
    assert "vcu the source address 0xE6 (230), but loop is not marked as J1939" in finding.summary
    odd = plan.replace("network.loop", 'network."lo.op"').replace('"loop"', '"lo.op"')
    assert '[network."lo.op"]' in only(findings(tmp_path, odd), "source-address-unused").action
    marked = plan.replace("250_000", "250_000\nj1939 = true")
    assert "source-address-unused" not in {f.code for f in findings(tmp_path, marked)}


def test_null_address(tmp_path: Path) -> None:
    # SAE J1939-81: 254 is the null address.
    found = findings(tmp_path, J1939_PLAN, pump=j1939("PUMP", 0xFF01, 254))
    assert "source-address-reserved" in {f.code for f in found}
