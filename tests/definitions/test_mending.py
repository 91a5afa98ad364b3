"""What files in use write that the format does not allow: read and told, or set aside and told."""

import pytest

from busplan.definitions.dbc import parse_dbc
from busplan.findings import Weight

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: A B\n'


def read(body):
    return parse_dbc(HEAD + body, "odd.dbc")


def line(name, place="0|8@1+", numbers="(1,0) [0|0]"):
    return f' SG_ {name} : {place} {numbers} "" B\n'


PAGES = {
    "nothing selects": "BO_ 1 M: 8 A\n" + line("P0 m0", "8|8@1+") + line("P1 m1", "8|8@1+"),
    "two select": "BO_ 1 M: 8 A\n"
    + line("S M")
    + line("T M", "56|8@1+")
    + line("P0 m0", "8|8@1+")
    + line("P1 m1", "8|8@1+"),
    "the selector's line is torn": "BO_ 1 M: 8 A\n"
    + " SG_ S M : 0|8@1+ (1,0\n"
    + line("P0 m0", "8|8@1+")
    + line("P1 m1", "8|8@1+"),
    "the selector is named and gone": "BO_ 1 M: 8 A\n"
    + line("P0 m0", "8|8@1+")
    + line("P1 m1", "8|8@1+")
    + "SG_MUL_VAL_ 1 P0 Gone 0-0;\nSG_MUL_VAL_ 1 P1 Gone 1-1;\n",
    "the selector's selector is gone": "BO_ 1 M: 8 A\n"
    + line("P0 m0M", "8|8@1+")
    + line("P1 m1", "8|8@1+")
    + "SG_MUL_VAL_ 1 P0 Gone 0-0;\nSG_MUL_VAL_ 1 P1 P0 1-1;\n",
}


@pytest.mark.parametrize("body", PAGES.values(), ids=PAGES.keys())
def test_pages_whose_selector_cannot_be_told_are_decoded_in_no_frame(body) -> None:
    definitions = read(body + "BO_ 2 N: 8 A\n" + line("Other"))
    first = definitions.messages[0]
    assert {s.name for s in first.signals} <= {"S", "T"}
    (told,) = (f for f in definitions.findings if f.code == "definition-selector-missing")
    assert told.weight is Weight.CAUTION
    assert "P0 and P1" in told.summary


def test_a_page_with_its_selector_stays() -> None:
    body = "BO_ 1 M: 8 A\n" + line("S M") + line("P0 m0", "8|8@1+")
    definitions = read(body)
    assert definitions.findings == ()
    assert definitions.messages[0].signal("P0").condition.selector == "S"


def test_an_identifier_without_its_flag_is_taken_as_29_bits_with_all_that_is_said_of_it() -> None:
    said = (
        "BO_ 2566 Long: 8 A\n"
        + line("State")
        + 'CM_ SG_ 2566 State "what it does";\nVAL_ 2566 State 0 "off" ;\n'
        + 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_ "GenMsgCycleTime" BO_ 2566 100;\n'
    )
    definitions = read(said)
    (message,) = definitions.messages
    assert (message.identifier, message.extended) == (2566, True)
    assert message.cycle.ms == 100
    assert message.signal("State").comment == "what it does"
    assert message.signal("State").choices == {0: "off"}
    (told,) = definitions.findings
    assert (told.code, told.weight) == ("definition-flag-missing", Weight.CAUTION)
    assert "0x00000A06 (line 5)" in told.summary
    assert str(2566 + 2**31) in told.action


def test_names_that_begin_with_a_digit_and_numbers_without_one_are_read() -> None:
    body = (
        "BO_ 1 2ndPump: 8 A\n"
        + line("12V_Supply M", "0|8@1+", "(.25,-.5) [-.5|63.]")
        + line("Page m0", "8|8@1+")
        + 'CM_ SG_ 1 12V_Supply "rail .5";\nVAL_ 1 12V_Supply 1 "low .5" ;\n'
        + "SG_MUL_VAL_ 1 Page 12V_Supply 0-3;\n"
    )
    definitions = read(body)
    (message,) = definitions.messages
    supply = message.signal("_12V_Supply")
    assert message.name == "_2ndPump"
    assert (supply.scale, supply.offset, supply.minimum, supply.maximum) == (0.25, -0.5, -0.5, 63)
    assert supply.comment == "rail .5"
    assert supply.choices == {1: "low .5"}
    assert message.signal("Page").condition.selector == "_12V_Supply"
    assert [f.code for f in definitions.findings] == ["definition-mended"] * 2
    assert "_2ndPump (line 5)" in definitions.findings[0].summary


def test_signals_that_share_a_long_name_keep_their_short_ones() -> None:
    attribute = "SystemSignalLongSymbol"
    body = (
        "BO_ 1 M: 8 A\n"
        + line("S1")
        + line("S2", "8|8@1+")
        + line("S3", "16|8@1+")
        + f'BA_DEF_ SG_ "{attribute}" STRING ;\nBA_DEF_DEF_ "{attribute}" "";\n'
        + f'BA_ "{attribute}" SG_ 1 S1 "TheSame";\nBA_ "{attribute}" SG_ 1 S2 "TheSame";\n'
        + f'BA_ "{attribute}" SG_ 1 S3 "AnotherOne";\n'
    )
    definitions = read(body)
    assert [s.name for s in definitions.messages[0].signals] == ["S1", "S2", "AnotherOne"]
    (told,) = definitions.findings
    assert "S1 and S2 of M have the same long name TheSame" in told.summary


def test_a_message_that_cannot_be_read_gives_its_signals_to_no_other() -> None:
    body = "BO_ 1 M: 8 A\n" + line("Mine") + "BO_ 2 Bad 8 A\n" + line("Foreign", "8|8@1+")
    definitions = read(body)
    assert [s.name for s in definitions.messages[0].signals] == ["Mine"]
    assert "its signals, 1, go with it" in definitions.findings[0].summary


def test_messages_beyond_a_transport_session_are_read() -> None:
    # ISO 15765-2 (2016): up to 4,095 bytes, and beyond with a first frame that has 32 bits of
    # length; from memory.
    for length in (1786, 4095, 5000):
        body = f"BO_ 2024 M: {length} A\n" + line("S", f"{8 * length - 8}|8@1+")
        (message,) = read(body).messages
        assert message.length == length
