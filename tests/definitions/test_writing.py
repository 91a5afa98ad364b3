"""What we write as DBC comes back the same: read by our own reader, and by cantools.

Outside truth: cantools reads the written files; the files it ships as tests are read, written and
read again.
"""

from dataclasses import replace
from pathlib import Path

import cantools
import pytest
from support.cantools_files import cantools_dbc_files  # noqa: F401
from support.demo_files import demo_dbc_files

from busplan.definitions.dbc import load_dbc, parse_dbc
from busplan.definitions.model import Message, MuxCondition, Origin, Signal, Stated
from busplan.definitions.writing import dbc_bytes, dbc_text
from busplan.errors import PlanError


def plain(message: Message) -> Message:
    """A message without where it was read, and without what a default of its file said."""
    cycle = message.cycle and Stated(message.cycle.ns, Origin.DEFINITION)
    signals = tuple(replace(s, comment=s.comment.replace("\r\n", "\n")) for s in message.signals)
    return replace(message, file="", line=None, cycle=cycle, signals=signals)


def back(messages: tuple[Message, ...]) -> tuple[Message, ...]:
    return parse_dbc(dbc_text(messages), "written.dbc").messages


@pytest.mark.parametrize("path", demo_dbc_files(), ids=lambda p: p.name)
def test_a_demo_file_comes_back_the_same(path: Path) -> None:
    read = load_dbc(path)
    text = dbc_text(read.messages, read.nodes)
    again = parse_dbc(text, "again.dbc")
    assert [plain(m) for m in again.messages] == [plain(m) for m in read.messages]
    assert set(read.nodes) <= set(again.nodes)
    assert not again.findings
    cantools.database.load_string(dbc_bytes(text).decode("cp1252"), "dbc")


def fit_to_write(messages: tuple[Message, ...]) -> bool:
    """Whether no identifier and no name is there twice, which a DBC file cannot hold."""
    keys = [(m.extended, m.identifier) for m in messages]
    names = [m.name for m in messages]
    return len({*keys}) == len(keys) and len({*names}) == len(names)


def test_the_files_of_cantools_come_back_the_same(cantools_dbc_files: list[Path]) -> None:  # noqa: F811
    same = 0
    for path in cantools_dbc_files:
        try:
            read = load_dbc(path)
        except PlanError:
            continue
        if not fit_to_write(read.messages):
            continue
        again = parse_dbc(dbc_text(read.messages, read.nodes), "again.dbc")
        assert [plain(m) for m in again.messages] == [plain(m) for m in read.messages], path.name
        same += 1
    assert same > 80


def test_ranges_and_two_selectors_come_back() -> None:
    first = Signal("First", 0, 8, selects=True)
    second = Signal("Second", 8, 4, selects=True, condition=MuxCondition("First", ((1, 3), (7, 7))))
    value = Signal(
        "Value",
        16,
        32,
        signed=True,
        is_float=True,
        unit="Ω",
        condition=MuxCondition("Second", ((2, 2),)),
    )
    message = Message("Pages", 0x18FF1234, True, 8, (first, second, value), ("A",))
    assert back((message,)) == (plain_at(message, back((message,))[0]),)


def plain_at(message: Message, like: Message) -> Message:
    return replace(message, file=like.file, line=like.line)


def test_hostile_texts_end_no_string_and_reach_no_terminal() -> None:
    signal = Signal("S", 0, 8, unit='"; BO_ 1 X: 8 Y', comment="end\\", choices={1: '"\x1b[2J'})
    message = Message("M\x1b 1", 5, False, 8, (signal,), ("a b",), comment='\\"')
    text = dbc_text((message,), comment='"\x07')
    (read,) = parse_dbc(text, "h.dbc").messages
    assert read.name == "M__1"
    assert read.signals[0].unit == '"; BO_ 1 X: 8 Y'
    assert not {"\x1b", "\x07"} & set(text)
    assert len(cantools.database.load_string(text, "dbc").messages) == 1


def test_long_names_are_cut_and_kept() -> None:
    names = [f"a_very_long_name_of_a_signal_that_goes_on_{i}" for i in (1, 2)]
    signals = tuple(Signal(n, 8 * i, 8) for i, n in enumerate(names))
    message = Message("m" * 40, 5, False, 8, signals, ("n" * 40,))
    text = dbc_text((message,))
    assert max(len(line.split()[1]) for line in text.splitlines() if line.startswith(" SG_")) <= 32
    (read,) = cantools.database.load_string(text, "dbc").messages
    assert read.name == "m" * 40
    assert [s.name for s in read.signals] == names
    assert read.senders == ["n" * 40]


def test_signs_outside_the_code_page_are_spelled() -> None:
    assert dbc_bytes("°C Ω — ☃") == b"\xb0C ohm \x97 ?"
