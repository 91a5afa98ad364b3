"""Tables of messages on paper."""

import pytest

from busplan.definitions.model import Message
from busplan.starting.material import Material
from busplan.starting.paper_table import read_table
from busplan.starting.proposal import propose


def messages(text: str) -> tuple[Message, ...]:
    found = read_table(text, "parts.csv")
    assert found is not None
    assert not found.doubts
    return found.messages


def test_headings_in_any_order_and_any_usual_words() -> None:
    text = "Period [ms];Name;CAN ID;DLC;Sender;Receivers\n100;Relays;0x3A0;2;RELAY_BOX;VCU, DASH\n"
    (one,) = messages(text)
    assert (one.name, one.identifier, one.length) == ("Relays", 0x3A0, 2)
    assert one.cycle is not None
    assert one.cycle.ms == 100
    assert (one.senders, one.to) == (("RELAY_BOX",), ("VCU", "DASH"))


def test_a_column_with_a_letter_is_hexadecimal_all_through() -> None:
    found = messages("id,bytes\n100,8\n1A0,8\n18FF50E5,8\n")
    assert [m.identifier for m in found] == [0x100, 0x1A0, 0x18FF50E5]
    assert [m.extended for m in found] == [False, False, True]
    assert [m.identifier for m in messages("id,bytes\n100,8\n256,8\n")] == [100, 256]


def test_rows_of_signals_make_one_message() -> None:
    text = (
        "message\tid\tsignal\tstart bit\tsignal length\tbyte order\tsigned\tfactor\toffset\tunits\n"
        "Temps\t0x200\tInlet\t0\t8\tintel\tno\t0.5\t-40\t°C\n"
        "Temps\t0x200\tOutlet\t15\t16\tmotorola\tyes\t0,1\t0\t°C\n"
    )
    (one,) = messages(text)
    assert one.length == 3
    first, second = one.signals
    assert (first.scale, first.offset, first.unit) == (0.5, -40, "°C")
    assert (second.big_endian, second.signed, second.scale) == (True, True, 0.1)


def test_what_cannot_be_read_is_told_with_its_row() -> None:
    found = read_table("id,bytes\nzz,8\n0x100,8\n0x100,8\n0x1FFFFFFFFF,8\n0x101,99\n", "p.csv")
    assert found is not None
    assert [m.identifier for m in found.messages] == [0x100]
    assert [d.split(":")[0] for d in found.doubts] == ["row 2", "row 4", "row 5", "row 6"]


@pytest.mark.parametrize(
    "text", ["", "a,b\n1,2\n", "timestamp,arbitration_id,data\n1,2,3\n", "identifier\n1\n", "\0"]
)
def test_other_tables_are_left_alone(text: str) -> None:
    assert read_table(text, "x.csv") is None


def test_a_part_on_paper_takes_its_place_in_the_plan() -> None:
    table = read_table("id,bytes,period,name,sender\n0x3A0,2,200,RelayStates,RELAY_BOX\n", "r.csv")
    assert table is not None
    found = propose(Material(tables=(table,)), "v", lambda _: pytest.fail("read"))
    (stream,) = found.vehicle.streams
    assert (stream.node, stream.message.name) == ("relay_box", "RelayStates")
    assert stream.cycle is not None
    assert stream.cycle.ms == 200
