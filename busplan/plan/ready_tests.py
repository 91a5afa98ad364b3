"""Ready tests of a conversion: taken up by name, or all, and spread over what the plan has.

A value in braces stands for each network, node or behaviour of the plan. Sources stand at the
figures; where none is named it is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

PRACTICE = "common practice, no source"
R100 = "UN Regulation No. 100, figures from memory: check the text that holds for you"
Each = Literal["", "network", "node", "behaviour", "expect"]
HIGH_VOLTAGE = (
    "High voltage can kill: by a licensed person, with the pack made safe and the absence of "
    "voltage proven."
)


@dataclass(frozen=True, slots=True)
class ReadyTest:
    """One ready test: ``each`` says what it is spread over, ``needs`` what the plan must have."""

    name: str
    table: Mapping[str, Any]
    each: Each = ""
    needs: Literal["", "pack"] = ""


def _measured(what: str, unit: str, **more: Any) -> dict[str, Any]:
    return {"measure": what, "unit": unit, "source": PRACTICE} | more


def _looked(what: str, **more: Any) -> dict[str, Any]:
    return {"look": what, "source": PRACTICE} | more


_LICENSED = {"licensed": True, "caution": HIGH_VOLTAGE}

READY_TESTS: Mapping[str, ReadyTest] = {
    t.name: t
    for t in (
        ReadyTest(
            "pair-resistance",
            _measured(
                "resistance across the pair of {}, everything off",
                "Ω",
                at_least=50.0,
                at_most=65.0,
                note="Two terminators of 100 to 130 Ω, usually 120 Ω (ISO 11898-2).",
            ),
            each="network",
        ),
        ReadyTest(
            "orange-cables",
            _looked("high-voltage cables are orange, fixed, guarded against edges", **_LICENSED),
        ),
        ReadyTest("labels", _looked("warning labels are at the pack, the boxes and the inlet")),
        ReadyTest("cut-off", _looked("the emergency cut-off is marked and reached without a tool")),
        ReadyTest("fuses", _looked("every fuse is of the rating in the drawing", **_LICENSED)),
        ReadyTest(
            "terminal-torque",
            _looked(
                "every power terminal is tightened to its maker's torque and marked", **_LICENSED
            ),
        ),
        ReadyTest(
            "bonding",
            _measured(
                "resistance from exposed conductive parts to the chassis, the worst of all",
                "Ω",
                at_most=0.1,
                source=R100,
                **_LICENSED,
            ),
        ),
        ReadyTest(
            "insulation",
            _measured(
                "insulation resistance of the high-voltage system to the chassis for each volt of "
                "the highest working voltage, the lower of both poles",
                "Ω/V",
                at_least=500.0,
                source=R100,
                note="100 Ω/V where no part carries alternating current.",
                **_LICENSED,
            ),
            needs="pack",
        ),
        ReadyTest(
            "no-voltage",
            _measured(
                "voltage at the link, contactors open, after the time on the label",
                "V",
                at_most=60.0,
                source=R100,
                **_LICENSED,
            ),
            needs="pack",
        ),
        ReadyTest(
            "coolant-pressure",
            _measured(
                "fall of the coolant's test pressure",
                "bar",
                at_least=-0.05,
                at_most=0.05,
                for_min=10.0,
            ),
        ),
        ReadyTest("leaks", _looked("no leak at hoses, plates and pumps, warm and cold")),
        ReadyTest("bench", {"bench": "{}", "source": PRACTICE}, each="node"),
        ReadyTest("versions", {"expect": "{}", "source": PRACTICE}, each="expect"),
        ReadyTest("key-on", {"capture": "key-on", "source": PRACTICE}, needs="pack"),
        ReadyTest("loads", {"load": "{}", "source": PRACTICE}, each="network"),
        ReadyTest("cycles", {"cycles": "{}", "source": PRACTICE}, each="network"),
        ReadyTest("behaviours", {"behaviour": "{}", "source": PRACTICE}, each="behaviour"),
        ReadyTest("warm-up", {"capture": "warm-up", "source": PRACTICE}, needs="pack"),
        ReadyTest("charge", {"capture": "charge", "source": PRACTICE}, needs="pack"),
        ReadyTest("drive", {"capture": "drive", "source": PRACTICE}, needs="pack"),
        ReadyTest(
            "thermal-camera",
            _measured(
                "hottest power terminal above its surroundings after a drive, by thermal camera",
                "K",
                at_most=40.0,
                **_LICENSED,
            ),
        ),
        ReadyTest("rest", {"capture": "rest", "source": PRACTICE}, needs="pack"),
        ReadyTest(
            "papers", _looked("the customer has the manual, the cautions and the rescue sheet")
        ),
    )
}
"""By name, in the order in which they are done."""
