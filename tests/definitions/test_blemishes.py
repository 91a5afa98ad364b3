"""Files with blemishes load as far as they can, and every blemish is told with its place."""

import contextlib

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busplan.definitions.dbc import load_dbc, parse_dbc
from busplan.definitions.salvage import MOST_ATTEMPTS, MOST_TOLD
from busplan.errors import PlanError
from busplan.findings import Weight

LINES = """VERSION ""
NS_ :
BS_:
BU_: PUMP MASTER
BO_ 256 Status: 8 PUMP
 SG_ Speed : 0|16@1+ (0.25,0) [0|0] "rpm"  MASTER
 SG_ State : 16|8@1+ (1,0) [0|0] ""  MASTER
 SG_ Flow : 32|32@1- (1,0) [0|0] ""  MASTER
BO_ 257 Command: 2 MASTER
 SG_ Wanted : 0|16@1+ (0.25,0) [0|0] "rpm"  PUMP
CM_ BO_ 256 "How the pump does";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 100;
VAL_ 256 State 0 "off" 1 "on" ;
SIG_VALTYPE_ 256 Flow : 1;
""".splitlines(keepends=True)
GOOD = "".join(LINES)


def changed(old: str, new: str):
    assert old in GOOD
    return parse_dbc(GOOD.replace(old, new), "pump.dbc")


def codes(definitions) -> list[tuple[str, int | None]]:
    return [(f.code, f.where.line) for f in definitions.findings]


def signals(definitions) -> set[str]:
    return {f"{m.name}/{s.name}" for m in definitions.messages for s in m.signals}


ALL = signals(parse_dbc(GOOD, "pump.dbc"))


def test_a_file_cut_anywhere_says_so_or_is_a_part_of_the_whole() -> None:
    for end in range(1, len(GOOD), 3):
        with contextlib.suppress(PlanError):
            torn = parse_dbc(GOOD[:end], "torn.dbc")
            assert torn.findings or signals(torn) <= ALL
    torn = parse_dbc(GOOD[: GOOD.index("257 Command: 2") + 14], "torn.dbc")
    assert codes(torn) == [("definition-line-set-aside", 9)]


def test_a_good_file_has_no_findings() -> None:
    assert parse_dbc(GOOD, "pump.dbc").findings == ()


def test_one_wrong_line_costs_one_signal() -> None:
    definitions = changed("Speed : 0|16@1+", "Speed : 0|16@1*")
    assert codes(definitions) == [("definition-line-set-aside", 6)]
    assert signals(definitions) == ALL - {"Status/Speed"}
    finding = definitions.findings[0]
    assert finding.where.file == "pump.dbc"
    assert finding.weight is Weight.CAUTION
    # The star is the 20th character of its line.
    assert LINES[5].replace("+", "*")[19] == "*"
    assert "Line 6, column 20" in finding.summary


def test_a_flood_of_wrong_lines_is_told_up_to_a_number_and_counted_beyond() -> None:
    wrong = "".join(f' SG_ W{i} : 0|0@1+ (1,0) [0|0] "" MASTER\n' for i in range(MOST_TOLD + 7))
    definitions = changed(LINES[5], LINES[5] + wrong)
    assert signals(definitions) == ALL
    assert len(definitions.findings) == MOST_TOLD + 1
    assert definitions.findings[-1].summary.startswith("7 more lines")
    assert definitions.findings[-1].weight is Weight.CAUTION


def test_rubbish_after_a_good_line_costs_nothing_else() -> None:
    definitions = changed(LINES[5], LINES[5] + "# a remark of somebody\n")
    assert codes(definitions) == [("definition-line-set-aside", 7)]
    assert signals(definitions) == ALL


def test_a_missing_semicolon_or_quote_costs_its_statement() -> None:
    for broken in ('CM_ BO_ 256 "How the pump does"\n', 'CM_ BO_ 256 "How the pump does;\n'):
        definitions = changed(LINES[10], broken)
        assert codes(definitions) == [("definition-line-set-aside", 11)]
        assert signals(definitions) == ALL
        assert definitions.messages[0].cycle is not None


def test_several_wrong_lines_are_all_told() -> None:
    text = GOOD.replace("Speed : 0|16@1+", "Speed : 0;16@1+").replace("BU_: PUMP", "BU_: PUMP,")
    assert codes(parse_dbc(text, "x.dbc"))[:2] == [
        ("definition-line-set-aside", 4),
        ("definition-line-set-aside", 6),
    ]


def test_lines_about_a_signal_set_aside_are_told_too() -> None:
    definitions = changed("State : 16|8@1+", "State : 16|0@1+")
    assert codes(definitions) == [
        ("definition-line-set-aside", 7),
        ("definition-line-set-aside", 15),
    ]
    assert "0 bits" in definitions.findings[0].summary


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("BO_ 257 ", "BO_ 536870912 ", "more than 11 bits"),
        ("BO_ 257 ", "BO_ 4294967295 ", "more than 29 bits"),
        ("BO_ 257 ", "BO_ 25.7 ", "whole numbers"),
        ("Command: 2 ", "Command: 70000 ", "70000 bytes"),
    ],
)
def test_a_wrong_message_takes_its_signals_with_it(old, new, words) -> None:
    definitions = changed(old, new)
    assert codes(definitions) == [("definition-line-set-aside", 9)]
    assert words in definitions.findings[0].summary
    assert signals(definitions) == ALL - {"Command/Wanted"}


@pytest.mark.parametrize(
    ("new", "words"),
    [
        ("Wanted : 0|65@1+ (0.25,0)", "65 bits"),
        ("Wanted : 0|16@7+ (0.25,0)", "byte order 7"),
        ("Wanted : 0.5|16@1+ (0.25,0)", "whole numbers"),
        ("Wanted : 600000|16@1+ (0.25,0)", "start bit 600000"),
        ("Wanted x1 : 0|16@1+ (0.25,0)", "'x1'"),
        ("Wanted : 0|16@1+ (0,0)", "scale of zero"),
        ("Wanted : 0|16@1+ (|0.25,0)", "not well formed"),
        ("Wanted : 0|16@1+ (1e999,0)", "a scale of 1e999"),
        (f"Wanted : 0|{16:06000}@1+ (1,0)", "not whole numbers"),
    ],
)
def test_impossible_signals(new, words) -> None:
    definitions = changed("Wanted : 0|16@1+ (0.25,0)", new)
    assert words in definitions.findings[0].summary
    assert signals(definitions) == ALL - {"Command/Wanted"}


def test_a_doubled_signal_name_keeps_the_first() -> None:
    definitions = changed(LINES[6], LINES[5].replace("0|16", "16|8") + LINES[6])
    assert codes(definitions) == [("definition-line-set-aside", 7)]
    assert definitions.messages[0].signal("Speed").start == 0


def test_a_statement_that_makes_no_sense_with_the_others() -> None:
    text = GOOD + 'BA_DEF_ BO_ "GenMsgSendType" ENUM "cyclic";\nBA_ "GenMsgSendType" BO_ 256 9;\n'
    definitions = parse_dbc(text, "x.dbc")
    assert codes(definitions) == [("definition-line-set-aside", 18)]
    assert signals(definitions) == ALL


def test_an_attribute_nobody_defines() -> None:
    definitions = changed(LINES[13], LINES[13] + 'BA_ "Nobody" BO_ 256 1;\n')
    assert codes(definitions) == [("definition-line-set-aside", 15)]
    assert definitions.findings[0].weight is Weight.NOTE


def test_a_float_of_odd_width_falls_back_to_an_integer() -> None:
    definitions = changed("Flow : 32|32@1-", "Flow : 32|31@1-")
    assert codes(definitions) == [("definition-line-set-aside", 16)]
    assert signals(definitions) == ALL
    assert not definitions.messages[0].signal("Flow").is_float


def test_a_bit_rate_is_a_hint() -> None:
    for written in ("500000", "500", "500:1,2;"):
        definitions = changed("BS_:\n", f"BS_: {written}\n")
        assert definitions.bit_rate_hint == 500_000
        assert codes(definitions) == [("definition-bit-rate-hint", 3)]
        assert signals(definitions) == ALL


def test_no_list_of_nodes() -> None:
    definitions = changed(LINES[3], "")
    assert codes(definitions) == [("definition-nodes-missing", None)]
    assert definitions.nodes == ("PUMP", "MASTER")


def test_overlapping_signals_load() -> None:
    definitions = changed("State : 16|8@1+", "State : 12|8@1+")
    assert codes(definitions) == [("definition-signals-overlap", 5)]
    assert definitions.findings[0].figures[0].value == 4
    assert signals(definitions) == ALL


def test_signals_of_different_pages_do_not_overlap() -> None:
    pages = LINES[4] + ' SG_ Page M : 0|8@1+ (1,0) [0|0] ""  MASTER\n'
    for page in (1, 2):
        pages += f' SG_ On{page} m{page} : 8|16@1+ (1,0) [0|0] ""  MASTER\n'
    assert parse_dbc("BU_: PUMP MASTER\n" + pages, "x.dbc").findings == ()
    pages += ' SG_ Always : 16|8@1+ (1,0) [0|0] ""  MASTER\n'
    assert len(parse_dbc("BU_: PUMP MASTER\n" + pages, "x.dbc").findings) == 2


def test_a_signal_beyond_the_message() -> None:
    definitions = changed("Wanted : 0|16@1+", "Wanted : 8|16@1+")
    assert codes(definitions) == [("definition-signal-outside", 9)]


def test_a_length_that_is_neither_classical_nor_stated_as_can_fd() -> None:
    definitions = changed("Command: 2 ", "Command: 10 ")
    assert codes(definitions) == [("definition-odd-length", 9)]


@pytest.mark.parametrize(("length", "odd"), [(8, False), (9, False), (1785, False), (1786, True)])
def test_a_j1939_message_may_fill_a_transport_session(length: int, odd: bool) -> None:
    """SAE J1939-21: 255 packets of 7 bytes."""
    assert 255 * 7 == 1785
    number = 0x18FECA05 | 1 << 31
    text = (
        f"BU_: PUMP\nBO_ {number} Faults: {length} PUMP\n"
        'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
        'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\n'
        f'BA_ "VFrameFormat" BO_ {number} 3;\n'
    )
    found = [f.code for f in parse_dbc(text, "x.dbc").findings]
    assert ("definition-odd-length" in found) is odd


def test_messages_that_share_an_identifier_are_kept_apart() -> None:
    twin = (
        'BO_ 256 Twin: 8 MASTER\n SG_ State : 0|4@1+ (1,0) [0|0] "" PUMP\n'
        ' SG_ Other : 8|32@1- (1,0) [0|0] "" PUMP\n'
    )
    text = GOOD.replace(LINES[10], twin + LINES[10]) + "SIG_VALTYPE_ 256 Other : 1;\n"
    definitions = parse_dbc(text, "x.dbc")
    assert codes(definitions) == [("definition-repeated-identifier", 11)]
    first, _, second = definitions.messages
    assert (first.name, second.name) == ("Status", "Twin")
    assert dict(first.signal("State").choices) == dict(second.signal("State").choices)
    assert first.signal("Flow").is_float
    assert second.signal("Other").is_float
    assert second.cycle == first.cycle


def test_an_eleven_bit_and_a_29_bit_identifier_are_different() -> None:
    assert changed("BO_ 257 ", f"BO_ {256 + (1 << 31)} ").findings == ()


def test_a_missing_selector_is_told() -> None:
    definitions = changed(
        LINES[9],
        LINES[9] + ' SG_ Lone m3 : 0|8@1+ (1,0) [0|0] "" PUMP\nSG_MUL_VAL_ 257 Lone Gone 3-3;\n',
    )
    assert ("definition-selector-missing", 9) in codes(definitions)


@example(number=4, at=3, wrong="\n")
@example(number=5, at=4, wrong="\n")
@example(number=5, at=38, wrong="\n")
@example(number=5, at=0, wrong='"')
@settings(max_examples=40)
@given(st.integers(3, len(LINES) - 1), st.integers(0, 60), st.sampled_from('|;"@(BO_9 é#\n'))
def test_one_wrong_character_never_costs_more_than_its_neighbourhood(number, at, wrong) -> None:
    line = LINES[number]
    at = min(at, len(line) - 1)
    broken = line[:at] + wrong + line[at:]
    text = "".join(LINES[:number]) + broken + "".join(LINES[number + 1 :])
    definitions = parse_dbc(text, "x.dbc")
    lost = len(ALL) - len(signals(definitions))
    # A broken BO_ line may cost its message, any other line at most one signal. What stands before
    # a keyword belongs to the line above, and a lone quote there to the message it opens.
    assert lost <= (3 if line.startswith("BO_") or wrong == '"' else 1)
    if lost:
        assert definitions.findings


@settings(max_examples=40)
@given(st.binary(max_size=200))
def test_any_bytes_either_load_or_raise_our_error(tmp_path_factory, data) -> None:
    path = tmp_path_factory.getbasetemp() / "any.dbc"
    path.write_bytes(data)
    with contextlib.suppress(PlanError):
        load_dbc(path)


def test_nothing_usable_is_an_error_with_places() -> None:
    with pytest.raises(PlanError, match=r"pump\.dbc:2: .*\n.*nothing in it can be used"):
        parse_dbc("BU_: A\nBO_ x M: 8 A\n", "pump.dbc")
    with pytest.raises(PlanError, match="nothing in it can be used"):
        parse_dbc("Dear reader,\nthis is a letter.\n", "pump.dbc")
    with pytest.raises(PlanError, match="nothing in it can be used"):
        parse_dbc("", "pump.dbc")


def test_a_file_without_messages_loads_with_a_finding() -> None:
    assert codes(parse_dbc("BU_: A B\n", "x.dbc")) == [("definition-no-messages", None)]


def test_a_file_full_of_nonsense_ends(monkeypatch) -> None:
    monkeypatch.setattr("busplan.definitions.salvage.MOST_ATTEMPTS", 3)
    assert MOST_ATTEMPTS > 3
    text = GOOD + 'BA_DEF_ BO_ "GenMsgSendType" ENUM "cyclic";\nBA_ "GenMsgSendType" BO_ 256 9;\n'
    with pytest.raises(PlanError, match="too many"):
        parse_dbc(text, "nonsense.dbc")


def test_missing_file(tmp_path) -> None:
    with pytest.raises(PlanError, match=r"gone\.dbc: cannot be read: No such file"):
        load_dbc(tmp_path / "gone.dbc")


@pytest.mark.parametrize(
    ("data", "encoding", "finding"),
    [
        ("°C".encode(), "utf-8", False),
        (b"\xef\xbb\xbf" + "°C".encode(), "utf-8-sig", False),
        ("°C".encode("cp1252"), "cp1252", True),
        ("°C".encode("utf-16"), "utf-16", False),
    ],
)
def test_encodings(tmp_path, data, encoding, finding) -> None:
    path = tmp_path / "unit.dbc"
    head, tail = GOOD.split("rpm", 1)
    if encoding == "utf-16":
        data = f"{head}°C{tail}".encode("utf-16")
    else:
        bom, data = data.partition(b"\xef\xbb\xbf")[1:] if data[:1] == b"\xef" else (b"", data)
        data = bom + head.encode() + data + tail.encode()
    path.write_bytes(data)
    definitions = load_dbc(path)
    assert definitions.encoding == encoding
    assert definitions.messages[0].signal("Speed").unit == "°C"
    assert codes(definitions) == ([("definition-encoding", 6)] if finding else [])


def test_stated_encoding(tmp_path) -> None:
    path = tmp_path / "unit.dbc"
    path.write_bytes(GOOD.replace("rpm", "°C").encode("cp1250"))
    assert load_dbc(path, encoding="cp1250").findings == ()
    with pytest.raises(PlanError, match=r"unit\.dbc:6: encoding: byte 0xB0 is not valid utf-8"):
        load_dbc(path, encoding="utf-8")
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())  # a mark counts as no byte of the text
    with pytest.raises(PlanError, match=r"unit\.dbc:6: encoding: byte 0xB0 is not valid utf-8"):
        load_dbc(path)
    with pytest.raises(PlanError, match="'nope' is not a known text encoding"):
        load_dbc(path, encoding="nope")
