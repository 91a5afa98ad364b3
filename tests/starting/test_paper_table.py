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


def only(text: str) -> tuple[Message, tuple[str, ...], tuple[str, ...]]:
    """The one message of a table, its doubts, and what was taken."""
    found = read_table(text, "p.csv")
    assert found is not None
    (one,) = found.messages
    return one, found.doubts, found.taken


@pytest.mark.parametrize(
    ("heading", "cell", "ms"),
    [
        ("period", "10 s", 10_000),
        ("Cycle time (s)", "0.1", 100),
        ("Period [s]", "100 ms", 100),
        ("cycle_time_ms", "20", 20),
        ("Cycle time in ms", "20", 20),
        ("Rate (Hz)", "50", 20),
        ("rate", "50 Hz", 20),
        ("period", "500 µs", 0.5),
        ("period", "1,5 s", 1500),
    ],
)
def test_a_period_is_read_in_the_unit_that_it_states(heading: str, cell: str, ms: float) -> None:
    one, doubts, taken = only(f"id;bytes;{heading}\n0x100;8;{cell}\n")
    assert one.cycle is not None
    assert one.cycle.ms == ms
    assert (doubts, taken) == ((), ())


@pytest.mark.parametrize(
    ("heading", "cell"),
    [
        ("period", "10 ms / 1 s"),
        ("period", "10..20"),
        ("period", "1,000"),
        ("period", "on change"),
        ("period", "-5"),
        ("period", "3 weeks"),
        ("rate", "50"),
        ("period (0.1 s)", "5"),
    ],
)
def test_a_period_that_is_not_clear_is_left_open_and_told(heading: str, cell: str) -> None:
    one, doubts, _ = only(f"id;bytes;{heading}\n0x100;8;{cell}\n")
    assert one.cycle is None
    assert len(doubts) == 1
    assert doubts[0].startswith("row 2: the period ")


def test_what_a_table_leaves_out_is_told_as_taken() -> None:
    one, doubts, taken = only("id,name,period\n100,Lamp,20\n")
    assert (one.identifier, one.length, one.cycle and one.cycle.ms) == (100, 8, 20)
    assert not doubts
    assert [t.split(" ")[0] for t in taken] == ["identifiers", "periods", "no"]
    assert only("id (dec),bytes,period\n100,8,20 ms\n")[2] == ()


def test_a_length_that_only_can_fd_has_in_one_frame_is_told_as_taken() -> None:
    # ISO 11898-1: 8 bytes at most in a classical frame; SAE J1939-21 sends more in several.
    one, _, taken = only("id (hex),bytes,period (ms)\n18FECA27,20,1000\n")
    assert one.fd
    assert taken == ("more than 8 bytes taken as CAN FD, not as frames in a row: Message_18FECA27",)
    assert only("id (hex),bytes,period (ms)\n18FECA27,8,1000\n")[2] == ()


def test_a_heading_or_another_cell_makes_identifiers_hexadecimal() -> None:
    assert [m.identifier for m in messages("ID (hex),bytes\n100,8\n200,8\n")] == [0x100, 0x200]
    assert [m.identifier for m in messages("id,bytes\n0x100,8\n200,8\n")] == [0x100, 0x200]
    found = read_table("id,bytes\n1_0,8\n-1,8\n", "p.csv")
    assert found is not None
    assert found.doubts == ('row 2: "1_0" is no identifier', 'row 3: "-1" is no identifier')


def test_a_sender_keeps_its_spaces_and_receivers_know_it() -> None:
    text = (
        "id,bytes,sender,receivers\n0x100,8,Main Pump,Main Fan VCU\n"
        "0x101,8,Main Fan,Main Pump\n0x102,8,VCU,Main Fan / Main Pump\n"
    )
    first, second, third = messages(text)
    assert [m.senders for m in (first, second, third)] == [("Main_Pump",), ("Main_Fan",), ("VCU",)]
    assert second.to == ("Main_Pump",)
    assert third.to == ("Main_Fan", "Main_Pump")


def test_signals_in_the_words_of_a_sheet() -> None:
    text = (
        "ID;Message;DLC;Signal;Start bit;Length;Factor;Offset;Unit;Type;Endian\n"
        "0x100;A;8;Volt;0;16;1/128 V/bit;−40 °C;V;uint16;LE\n"
        "0x100;A;8;Force;31;32;0,25;;N;float;BE\n"
    )
    one, doubts, _ = only(text)
    assert not doubts
    assert (one.length, one.senders) == (8, ())
    volt, force = one.signals
    assert (volt.scale, volt.offset, volt.unit, volt.length) == (1 / 128, -40, "V", 16)
    assert (force.scale, force.big_endian, force.is_float) == (0.25, True, True)
    (bare,) = messages("id,signal,start,length\n0x100,A,0,12\n")
    assert (bare.length, bare.signals[0].length) == (2, 12)
    (told,) = messages("id,length (bytes),signal,start bit,length (bits)\n0x100,8,A,0,12\n")
    assert (told.length, told.signals[0].length) == (8, 12)
    (wide,) = messages("id,length (bits)\n0x100,64\n")
    assert wide.length == 8


@pytest.mark.parametrize(
    ("column", "cell"),
    [("factor", "1e999"), ("factor", "0"), ("factor", "0.1 to 0.2"), ("order", "1")],
)
def test_a_signal_that_is_not_clear_is_told(column: str, cell: str) -> None:
    _, doubts, _ = only(f"id,bytes,signal,start,bits,{column}\n0x100,8,A,0,8,{cell}\n")
    assert len(doubts) == 1


def test_rows_count_as_a_spreadsheet_counts_them() -> None:
    found = read_table("\nid,bytes\n\n0x100,8\n\nzz,8\n", "p.csv")
    assert found is not None
    assert found.messages[0].line == 4
    assert found.doubts == ('row 6: "zz" is no identifier',)


def test_a_range_is_taken_and_a_column_that_is_not_read_is_told() -> None:
    text = "id,bytes,signal,start,bits,min,Max [V],Start byte,Mux\n0x100,8,A,0,8,0,0.5e2,0,\n"
    one, doubts, _ = only(text)
    assert (one.signals[0].minimum, one.signals[0].maximum) == (0, 50)
    assert doubts == ("nothing was taken from the columns 'Start byte' and 'Mux'",)
    turned, doubts, _ = only("id,bytes,signal,start,bits,min,max\n0x100,8,A,0,8,5,1\n")
    assert turned.signals[0].minimum is None
    assert doubts == ("row 2: the range 5 to 1 is none; it is left out",)


@pytest.mark.parametrize(
    "head", ["Time,ID,DLC,Data", "timestamp,arbitration_id,extended,remote,error,dlc,data"]
)
def test_recorded_frames_are_no_table_of_messages(head: str) -> None:
    assert read_table(f"{head}\n0.0,100,8,0011223344556677\n", "cap.csv") is None


def test_titles_may_stand_before_the_headings() -> None:
    text = "Messages of the fan, rev 3\n2026, spring\n\nID (hex);Name;DLC\n104;A;8\n"
    (one,) = messages(text)
    assert (one.identifier, one.name, one.line) == (0x104, "A", 5)
    assert read_table("x\n" * 12 + "id,bytes\n1,8\n", "p.csv") is None
