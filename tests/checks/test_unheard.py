"""What is sent to nobody, and networks on which nothing is sent."""

from pathlib import Path

from support.plans import PLAN, PUMP, VCU, dbc, message, signal, write_plan

from busplan.checks import run_checks
from busplan.findings import Finding, Weight
from busplan.plan.reader import load_plan

CHARGING = """
[network.charge]
bit_rate = 250_000
j1939 = true
[part.charger]
definitions = "charger.dbc"
sender = "CHG"
[part.vcu]
definitions = "charger.dbc"
sender = "VCU"
[node.charger]
part = "charger"
on = ["charge"]
source_address = 0xE6
[node.vcu]
part = "vcu"
on = ["charge"]
"""


def test_what_is_sent_to_the_address_that_a_node_had(tmp_path: Path) -> None:
    """PDU format below 240: the byte after it is the destination (SAE J1939-21)."""

    def told(plan: str, asked: int = 0x18EFE5F4) -> list[Finding]:
        charger = dbc(
            ["CHG", "VCU"],
            message(0x18FF50E5, "Status", "CHG", signal("Volts", to="VCU"), extended=True),
            message(asked, "Request", "VCU", signal("Wanted", to="CHG"), extended=True),
        )
        path = write_plan(tmp_path, plan, charger=charger)
        return list(run_checks(load_plan(path), ["identifier-moved"]))

    (found,) = told(CHARGING)
    assert found.weight is Weight.CAUTION
    assert "charger has the address 0xE6 on charge; vcu sends Request to 0xE5" in found.summary
    free = CHARGING.replace('sender = "VCU"', 'sender = "VCU"\nidentifiers = "free"')
    assert [f.weight for f in told(free)] == [Weight.NOTE]
    assert told(CHARGING.replace("source_address = 0xE6", "")) == []
    for heard in (0x18EFFFF4, 0x18EFE6F4, 0x18FF20F4):  # to all, to its new address, to nobody
        assert told(CHARGING, heard) == []
    assert told(CHARGING, 0x18EF33F4) == []  # to a third node, to which it listens in


def test_a_network_on_which_nothing_is_sent(tmp_path: Path) -> None:
    """It has no load over its limit, and that is no good news."""
    (empty,) = quiet(tmp_path, PLAN)
    assert empty.summary == "Nothing is sent on main, which has no node."
    assert (empty.weight, empty.where.network) == (Weight.NOTE, "main")
    taps = '[part.tap]\nmessage = []\n[node.tap]\npart = "tap"\non = ["main"]\n'
    (mute,) = quiet(tmp_path, PLAN + taps)
    assert mute.summary == "Nothing is sent on main, by none of 1 node."
    used = PLAN.replace('"vcu"\non = ["loop"]', '"vcu"\non = ["main"]')
    assert quiet(tmp_path, used) == []


def quiet(folder: Path, plan: str) -> list[Finding]:
    path = write_plan(folder, plan, pump=PUMP, vcu=VCU)
    return list(run_checks(load_plan(path), ["network-without-messages"]))
