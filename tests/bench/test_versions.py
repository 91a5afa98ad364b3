"""The definition's own version beside the one a node sends: a note, never more.

Versions and names are invented; how makers write them: common practice, no source.
"""

import json
from pathlib import Path

import pytest
from support.command import busplan

from busplan.bench.versions import version_findings
from busplan.findings import Where

DBC = """VERSION "2.4.0"
BU_: UNIT
BO_ 289 UnitInfo: 2 UNIT
 SG_ SoftwareVersion : 0|8@1+ (0.1,0) [0|25.5] "" UNIT
 SG_ Warmth : 8|8@1+ (1,0) [0|200] "" UNIT
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_ "GenMsgCycleTime" BO_ 289 100;
"""


@pytest.mark.parametrize(
    ("stated", "told", "differs"),
    [
        ("2.4.0", {"Info SoftwareVersion": "2.4"}, False),
        ("v2.4 of May", {"software version": "UNIT_FW 2.4.0"}, False),
        ("2.4", {"Info SwVersionMajor": "2", "Info SwVersionMinor": "4"}, False),
        ("2.4", {"Info SwVersionMajor": "2", "Info SwVersionMinor": "5"}, True),
        ("2.4", {"Info SoftwareVersion": "2.3"}, True),
        ("2.4", {"Info HardwareVersion": "1.0", "Info SerialNumber": "55"}, False),
        ("", {"Info SoftwareVersion": "2.3"}, False),
        ("9" * 9999, {"Info SoftwareVersion": "\u00b2" * 9}, False),
    ],
)
def test_a_note_only_when_no_software_version_fits(
    stated: str, told: dict[str, str], differs: bool
) -> None:
    found = version_findings(tuple(told.items()), (stated,), Where("bench", "unit"))
    assert [f.code for f in found] == ["definition-version-differs"] * differs


@pytest.mark.parametrize(("sent", "differs"), [(24, False), (23, True)])
def test_a_file_and_a_signal_are_compared(tmp_path: Path, sent: int, differs: bool) -> None:
    dbc, log = tmp_path / "unit.dbc", tmp_path / "unit.log"
    dbc.write_text(DBC, encoding="ascii")
    frames = (f"({1.7e9 + n / 10:.6f}) can0 121#{sent:02X}{20 + n % 9:02X}\n" for n in range(50))
    log.write_text("".join(frames), encoding="ascii")
    run = busplan("bench", "UNIT", "--part", dbc, "--capture", log, "--json")
    document = json.loads(run.out)
    assert document["verdict"] == "pass"
    assert document["definition_versions"] == ["2.4.0"]
    told = [f["summary"] for f in document["findings"] if "version" in f["code"]]
    words = 'the definition says version "2.4.0", the node says UnitInfo SoftwareVersion 2.3'
    assert told == ([words] if differs else [])
