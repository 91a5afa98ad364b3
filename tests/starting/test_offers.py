"""Which node of a file is the part, and which parts go together."""

from pathlib import Path

import pytest
from support.cantools_files import cantools_dbc_files  # noqa: F401
from support.plans import dbc, message, signal

from busplan.checks import run_checks
from busplan.definitions.dbc import Definitions, load_dbc, parse_dbc
from busplan.errors import PlanError
from busplan.starting.heard import Lane, Seen
from busplan.starting.material import Answers, Material
from busplan.starting.offers import Offer, offers, plain
from busplan.starting.placing import Group, place
from busplan.starting.proposal import Proposal, propose


def box(**files: str) -> tuple[Material, dict[str, Definitions]]:
    read = {f"{name}.dbc": parse_dbc(text, f"{name}.dbc") for name, text in files.items()}
    return Material(tuple(read.values()), {n: n for n in read}), read


def proposed(answers: Answers | None = None, **files: str) -> Proposal:
    material, read = box(**files)
    return propose(material, "v", lambda path: read[path.name], answers or Answers())


PUMP = dbc(
    ["VCU", "PUMP"],
    message(0x120, "PumpStatus", "PUMP", signal("Speed", to="VCU")),
    message(0x150, "PumpOrder", "VCU", signal("Target", to="PUMP")),
)
VCU = dbc(["VCU", "PUMP"], message(0x150, "PumpOrder", "VCU", signal("Target", to="PUMP")))


def test_the_part_is_named_like_its_file_or_has_to_do_with_everything() -> None:
    found, _ = offers(box(pump=PUMP)[0].definitions, {})
    assert [(o.part, o.sender) for o in found] == [("pump", "PUMP")]
    found, _ = offers(box(delivery_7=PUMP)[0].definitions, {})
    assert [o.sender for o in found] == ["VCU"]  # the first of two that everything concerns
    assert "100 %" in found[0].why


@pytest.mark.parametrize("stem", ["Lüfter", "Lu\u0308fter", "LUEFTER"])
def test_an_umlaut_is_spelled_as_makers_spell_it(stem: str) -> None:
    # ü as ue: DIN 5007-2; composed, or u and a mark as some systems store names of files.
    text = PUMP.replace("PUMP", "LUEFTER")
    found, _ = offers((parse_dbc(text, f"{stem}.dbc"),), {})
    assert [(o.part, o.sender) for o in found] == [("luefter", "LUEFTER")]
    assert plain(stem) == "luefter"


def test_a_file_of_a_whole_network_gives_a_part_a_sender_all_on_one_network() -> None:
    text = dbc(
        ["A", "B", "C", "D"],
        *(message(0x100 + i, f"M{n}", n, signal(f"S{n}")) for i, n in enumerate("ABC")),
    )
    found = proposed(axle=text)
    assert list(found.vehicle.networks) == ["axle"]
    assert [n.part.name for n in found.vehicle.nodes_on("axle")] == ["a", "b", "c"]


def test_two_versions_of_a_file_are_one_part_and_the_older_is_told() -> None:
    found = proposed(pump_v1=PUMP, pump_v2=PUMP.replace("Speed", "Revs"))
    assert list(found.vehicle.parts) == ["pump"]
    assert [f for f, _ in found.unused] == ["pump_v1.dbc"]
    assert "newer version" in found.unused[0][1]


def test_parts_that_send_one_identifier_are_kept_apart() -> None:
    fan = PUMP.replace("PUMP", "FAN").replace("Pump", "Fan")
    found = proposed(pump=PUMP, fan=fan, vcu=VCU)
    homes = {n.part.name: next(iter(n.on)) for n in found.vehicle.nodes.values()}
    assert homes["pump"] != homes["fan"]
    assert "identifier-clash" not in [f.code for f in run_checks(found.vehicle)]


def test_classical_parts_are_not_guessed_onto_a_can_fd_network_nor_onto_one_of_j1939() -> None:
    """A controller that knows classical frames only destroys CAN FD frames (ISO 11898-1)."""
    j1939 = 'BA_DEF_ "ProtocolType" STRING ;\nBA_DEF_DEF_ "ProtocolType" "";\n'
    j1939 += 'BA_ "ProtocolType" "J1939";\n'
    charger = dbc(
        ["VCU", "CHG"],
        message(0x18FF50E5, "ChgStatus", "CHG", signal("Volts", to="VCU"), extended=True),
    )
    logger = dbc(
        ["VCU", "LOG"], message(0x600, "LogState", "LOG", signal("Free", to="VCU"), length=64)
    )
    fd = 'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","StandardCAN_FD";\n'
    fd += 'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\nBA_ "VFrameFormat" BO_ 1536 1;\n'
    found = proposed(pump=PUMP, vcu=VCU, charger=charger + j1939, logger=logger + fd)
    homes = {n.part.name: next(iter(n.on)) for n in found.vehicle.nodes.values()}
    assert homes["pump"] == homes["vcu"]
    assert len(set(homes.values())) == 3
    networks = found.vehicle.networks
    assert networks[homes["log"]].fd
    assert not networks[homes["vcu"]].fd
    assert networks[homes["chg"]].j1939
    assert not {"not-fd", "bit-rate"} & {f.code for f in run_checks(found.vehicle)}


def test_partners_that_no_file_describes_are_asked_for() -> None:
    fan = PUMP.replace("PUMP", "FAN").replace("Pump", "Fan")
    alone = proposed(pump=PUMP, fan=fan)
    assert "a definition file of VCU, which is a partner in fan.dbc and pump.dbc" in alone.gaps
    assert "# gap: a definition file of VCU" in alone.text
    assert not any("definition file" in gap for gap in proposed(pump=PUMP, vcu=VCU).gaps)
    many = PUMP.replace("BO_ 336", "".join(f"BO_ {n} M{n}: 8 N{n}\n" for n in range(6)) + "BO_ 336")
    for n in range(6):
        many = many.replace(
            f"M{n}: 8 N{n}\n", f'M{n}: 8 N{n}\n SG_ S{n} : 0|8@1+ (1,0) [0|0] "" PUMP\n'
        )
    told = [gap for gap in proposed(pump=many).gaps if "definition file" in gap]
    assert len(told) == 4
    assert told[3].startswith("definition files of 4 more partners: ")


def test_identifiers_of_29_bits_ask_whether_they_are_of_j1939() -> None:
    wide = message(0x18FF50E5, "State", "CHG", signal("Volts", to="X"), extended=True)
    assert "# gap: j1939 = true, if its 29-bit" in proposed(chg=dbc(["CHG"], wide)).text
    assert "j1939" not in proposed(pump=PUMP).text


def test_answers_count_and_name() -> None:
    answers = Answers("Wren", {"pump": 3}, {"network_1": "loop"})
    found = proposed(answers, pump=PUMP, vcu=VCU)
    assert found.vehicle.name == "Wren"
    assert [n for n in found.vehicle.nodes if n.startswith("pump")] == [
        "pump_1",
        "pump_2",
        "pump_3",
    ]
    assert "loop" in found.vehicle.networks
    assert "identical-parts-clash" in [f.code for f in run_checks(found.vehicle)]


def test_hostile_names_stay_in_their_quotes() -> None:
    text = PUMP.replace("PumpStatus", "Pump\N{RIGHT-TO-LEFT OVERRIDE}Status")
    material, read = box(pump=text, vcu=VCU)
    name = 'x"\n[network.evil]\nbit_rate = 1\x1b[2J'
    found = propose(material, name, lambda path: read[path.name])
    assert "\x1b" not in found.text
    assert found.vehicle.name == name
    assert "evil" not in found.vehicle.networks


def test_nothing_usable_is_one_error() -> None:
    with pytest.raises(PlanError, match="no part was found"):
        propose(Material(unused=(("a.dbc", "torn"),)), "v", lambda _: pytest.fail("read"))


def test_the_folder_of_cantools_gives_a_plan_that_loads(
    cantools_dbc_files: list[Path],  # noqa: F811
) -> None:
    read, unused = {}, []
    for path in cantools_dbc_files:
        try:
            read[path.name] = load_dbc(path)
        except PlanError as error:
            unused.append((path.name, str(error)))
    material = Material(
        tuple(read.values()), {d.file: n for n, d in read.items()}, (), (), tuple(unused)
    )
    found = propose(material, "box", lambda path: read[path.name])
    used = {f for p in found.vehicle.parts.values() for q in p.ports.values() for f in q.files}
    told = {name for name, _ in found.unused}
    assert {Path(f).name for f in used} | told == {p.name for p in cantools_dbc_files}
    assert len(found.vehicle.nodes) > 30
    list(run_checks(found.vehicle))


def test_a_lane_keeps_the_capture_with_most_frames() -> None:
    lane = Lane()
    assert not lane.seen
    assert Seen(3, 8, 100, True, 90).comes_each(105)
    assert not Seen(3, 8, 100, True, 90).comes_each(200)


J1939 = (
    'BA_DEF_ "ProtocolType" STRING;\nBA_DEF_DEF_ "ProtocolType" "";\nBA_ "ProtocolType" "J1939";\n'
)


def group_parts(**addresses: int) -> list[Offer]:
    """Parts of different makers that send the same two proprietary groups."""
    files = {
        name: dbc(
            [name.upper()],
            message(0x18FF4000 | sa, f"{name}State", name.upper(), signal("A"), extended=True),
            message(0x18FF4100 | sa, f"{name}Info", name.upper(), signal("B"), extended=True),
        )
        + J1939
        for name, sa in addresses.items()
    }
    return offers(box(**files)[0].definitions, {})[0]


def heard_lane(*identifiers: int) -> Lane:
    ms = 100_000_000
    return Lane(seen={(True, i): Seen(50, 8, ms, True, ms) for i in identifiers})


def test_a_part_at_the_address_of_its_file_goes_before_another_that_was_moved_there() -> None:
    found = group_parts(dcdc=0x46, heater=0x45)
    lanes = [
        heard_lane(0x18FF4045, 0x18FF4145, 0x18FF4055, 0x18FF4155),
        heard_lane(0x18FF4046),
    ]
    first, second = place(found, [Group(lane) for lane in lanes])
    there = {(i.offer.part, i.source): i.why for i in first.instances}
    assert set(there) == {("heater", None), ("dcdc", 0x55)}
    assert "fit as well" not in there["heater", None]
    assert there["dcdc", 0x55].endswith("; heater would fit as well")
    assert [(i.offer.part, i.source) for i in second.instances] == [("dcdc", None)]
