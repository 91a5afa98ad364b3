"""What a DBC file says arrives in our messages and signals."""

import pytest
from cantools import database
from support.demo_files import demo_dbc_files

from busplan.definitions.dbc import load_dbc, parse_dbc
from busplan.definitions.model import J1939Id, MuxCondition, Origin, Stated

FULL = """VERSION ""
NS_ :
\tCM_
\tBA_DEF_
BS_:
BU_: MASTER PUMP DISPLAY
BO_ 256 PumpStatus: 8 PUMP
 SG_ Speed : 7|16@0+ (0.25,-10) [0|8000] "rpm"  MASTER,DISPLAY
 SG_ Flow : 32|32@1- (1,0) [0|0] "l/min" Vector__XXX
BO_ 512 Pages: 8 PUMP
 SG_ Page M : 0|8@1+ (1,0) [0|0] ""  MASTER
 SG_ Sub m1M : 8|8@1+ (1,0) [0|0] ""  MASTER
 SG_ Deep m3 : 16|8@1+ (1,0) [0|0] ""  MASTER
 SG_ Plain m7 : 8|16@1+ (1,0) [0|0] ""  MASTER
BO_ 2566834689 Engine: 8 Vector__XXX
 SG_ Torque : 0|8@1+ (1,-125) [-125|125] "%"  DISPLAY
BO_ 768 Wide: 64 MASTER
 SG_ Last : 504|8@1+ (1,0) [0|0] ""  DISPLAY
BO_TX_BU_ 256 : PUMP,MASTER;
CM_ BO_ 256 "How the pump does";
CM_ SG_ 256 Speed "Rotor";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ BO_ "GenMsgDelayTime" INT 0 10000;
BA_DEF_ BO_ "GenMsgSendType" ENUM "cyclic","spontaneous","cyclicIfActive","cyclicAndSpontaneous";
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG","r4","r5","r6",\
"r7","r8","r9","r10","r11","r12","r13","StandardCAN_FD","ExtendedCAN_FD";
BA_DEF_ BO_ "CANFD_BRS" ENUM "0","1";
BA_DEF_ SG_ "SPN" INT 0 524287;
BA_DEF_DEF_ "GenMsgCycleTime" 250;
BA_DEF_DEF_ "GenMsgDelayTime" 0;
BA_DEF_DEF_ "GenMsgSendType" "cyclic";
BA_DEF_DEF_ "VFrameFormat" "StandardCAN";
BA_DEF_DEF_ "CANFD_BRS" "1";
BA_DEF_DEF_ "SPN" 0;
BA_ "GenMsgCycleTime" BO_ 256 100;
BA_ "GenMsgCycleTime" BO_ 512 0;
BA_ "GenMsgDelayTime" BO_ 512 20;
BA_ "GenMsgSendType" BO_ 512 1;
BA_ "VFrameFormat" BO_ 2566834689 3;
BA_ "VFrameFormat" BO_ 768 14;
BA_ "CANFD_BRS" BO_ 768 0;
BA_ "SPN" SG_ 2566834689 Torque 513;
VAL_ 256 Flow 0 "none" 1 "some" ;
SIG_VALTYPE_ 256 Flow : 1;
SG_MUL_VAL_ 512 Sub Page 1-1;
SG_MUL_VAL_ 512 Deep Sub 3-5, 9-4000000000;
SG_MUL_VAL_ 512 Plain Page 7-7;
"""


@pytest.fixture(scope="module")
def messages():
    definitions = parse_dbc(FULL, "full.dbc")
    assert definitions.findings == ()
    assert definitions.nodes == ("MASTER", "PUMP", "DISPLAY")
    return {m.name: m for m in definitions.messages}


def test_places_and_scaling(messages) -> None:
    status = messages["PumpStatus"]
    assert (status.identifier, status.extended, status.length, status.line) == (256, False, 8, 7)
    speed = status.signal("Speed")
    assert (speed.start, speed.length, speed.big_endian, speed.signed) == (7, 16, True, False)
    assert (speed.scale, speed.offset, speed.minimum, speed.maximum) == (0.25, -10, 0, 8000)
    assert (speed.unit, speed.comment, status.comment) == ("rpm", "Rotor", "How the pump does")


def test_senders_and_receivers_without_placeholders(messages) -> None:
    assert messages["PumpStatus"].senders == ("PUMP", "MASTER")
    assert messages["PumpStatus"].receivers == ("MASTER", "DISPLAY")
    assert messages["Engine"].senders == ()


def test_float_signal_with_value_table(messages) -> None:
    flow = messages["PumpStatus"].signal("Flow")
    assert flow.is_float
    assert dict(flow.choices) == {0: "none", 1: "some"}


def test_cycle_time_keeps_its_origin(messages) -> None:
    assert messages["PumpStatus"].cycle == Stated(100_000_000, Origin.DEFINITION)
    assert messages["Engine"].cycle == Stated(250_000_000, Origin.FILE_DEFAULT)


@pytest.mark.parametrize("value", ["1e-9", "-5", "1e300", "99999999999"])
def test_a_period_that_no_plan_could_state_is_none(value: str) -> None:
    # 1e-9 ms is 0 in whole nanoseconds; a day is the longest that a plan may state.
    text = FULL.replace("INT 0 10000", "FLOAT -10 1e301")
    text = text.replace("BO_ 256 100;", f"BO_ 256 {value};")
    assert f"BO_ 256 {value};" in text
    assert {m.name: m for m in parse_dbc(text, "x.dbc").messages}["PumpStatus"].cycle is None


def test_zero_is_no_period_and_an_event_has_a_least_distance(messages) -> None:
    assert messages["Pages"].event
    assert messages["Pages"].cycle == Stated(20_000_000, Origin.DEFINITION)
    assert not messages["PumpStatus"].event
    without = FULL.replace('BA_ "GenMsgDelayTime" BO_ 512 20;\n', "")
    assert parse_dbc(without, "x.dbc").messages[1].cycle is None


@pytest.mark.parametrize(("number", "event"), [(0, False), (1, True), (2, True), (3, False)])
def test_send_types(number, event) -> None:
    text = FULL.replace('"GenMsgSendType" BO_ 512 1', f'"GenMsgSendType" BO_ 512 {number}')
    assert parse_dbc(text, "x.dbc").messages[1].event is event


def test_extended_multiplexing_keeps_ranges_as_ranges(messages) -> None:
    pages = messages["Pages"]
    assert pages.signal("Page").selects
    assert pages.signal("Page").condition is None
    assert pages.signal("Sub").selects
    assert pages.signal("Sub").condition == MuxCondition("Page", ((1, 1),))
    assert pages.signal("Deep").condition == MuxCondition("Sub", ((3, 5), (9, 4_000_000_000)))
    assert pages.signal("Plain").condition == MuxCondition("Page", ((7, 7),))


def test_j1939_fields_and_spn(messages) -> None:
    engine = messages["Engine"]
    assert engine.extended
    assert engine.label == "0x18FECA01"
    assert engine.j1939 == J1939Id(6, 0xFECA, 1, None)
    assert engine.signal("Torque").spn == 513
    assert messages["PumpStatus"].signal("Speed").spn is None
    assert messages["PumpStatus"].j1939 is None


def test_can_fd(messages) -> None:
    wide = messages["Wide"]
    assert (wide.fd, wide.bit_rate_switch, wide.length) == (True, False, 64)
    assert not messages["PumpStatus"].fd
    switching = parse_dbc(FULL.replace('BA_ "CANFD_BRS" BO_ 768 0;\n', ""), "x.dbc").messages[3]
    assert switching.bit_rate_switch


def test_long_names_also_name_the_selector() -> None:
    text = FULL + (
        'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\n'
        'BA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
        'BA_ "SystemSignalLongSymbol" SG_ 512 Page "PageOfThePump";\n'
    )
    pages = parse_dbc(text, "x.dbc").messages[1]
    assert pages.signal("Sub").condition == MuxCondition("PageOfThePump", ((1, 1),))


def test_simple_multiplexing_without_ranges() -> None:
    text = 'BU_: A\nBO_ 1 M: 8 A\n SG_ P M : 0|8@1+ (1,0) [0|0] "" A\n'
    text += ' SG_ S m12 : 8|8@1+ (1,0) [0|0] "" A\n'
    assert parse_dbc(text, "x.dbc").messages[0].signal("S").condition == MuxCondition(
        "P", ((12, 12),)
    )


def same_as_cantools(path) -> int:
    """Compare every field with cantools' own reading; the number of signals compared."""
    ours = load_dbc(path)
    theirs = database.load_string(
        path.read_text(ours.encoding), "dbc", strict=False, sort_signals=None
    )
    assert [m.name for m in ours.messages] == [m.name for m in theirs.messages]
    count = 0
    for mine, other in zip(ours.messages, theirs.messages, strict=True):
        assert mine.identifier == other.frame_id
        assert mine.extended == other.is_extended_frame
        assert mine.length == other.length
        assert mine.fd == other.is_fd
        assert list(mine.senders) == other.senders
        assert (mine.cycle and mine.cycle.ms) == other.cycle_time or mine.event
        for signal, reference in zip(mine.signals, other.signals, strict=True):
            count += 1
            for name in ("name", "start", "length", "is_float", "scale", "offset", "minimum"):
                assert getattr(signal, name) == getattr(reference, name), (path, signal.name)
            assert signal.maximum == reference.maximum
            assert signal.signed == reference.is_signed
            assert signal.big_endian == (reference.byte_order == "big_endian")
            assert signal.unit == (reference.unit or "")
            assert list(signal.receivers) == reference.receivers
            assert signal.selects == reference.is_multiplexer
            assert dict(signal.choices) == {k: str(v) for k, v in (reference.choices or {}).items()}
            ids = reference.multiplexer_ids
            if ids is None:
                assert signal.condition is None
            else:
                assert signal.condition is not None
                span = range(max(ids) + 2)
                assert [i for i in span if signal.condition.admits(i)] == sorted(set(ids))
    return count


REFUSED_BY_CANTOOLS = {
    "incorrect-sig_valtype.dbc",
    "incorrect-val.dbc",
    "issue_199.dbc",
    "issue_199_extended.dbc",
}
"""Files of cantools' own tests that must not load there."""


def test_every_file_of_cantools_own_tests(cantools_dbc_files) -> None:
    files = [f for f in cantools_dbc_files if f.name not in REFUSED_BY_CANTOOLS]
    assert len(files) > 60
    assert sum(same_as_cantools(f) for f in files) > 1000


def test_every_demo_definition_loads_without_a_finding() -> None:
    files = demo_dbc_files()
    assert len(files) > 20
    for path in files:
        assert load_dbc(path).findings == ()
        assert same_as_cantools(path) > 0
