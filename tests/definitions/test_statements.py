"""Cutting a DBC text loses nothing and survives quotes, lists of keywords and junk."""

import re

from hypothesis import given
from hypothesis import strategies as st

from busplan.definitions.statements import _Quotes, blocks, cut

PIECES = st.lists(
    st.sampled_from(
        [
            '"',
            "\n",
            "//",
            ";",
            "BO_ 1 M: 8 A",
            " SG_ S : 0|8@1+ (1,0) [0|0] ",
            "CM_ ",
            "x",
            "\\",
            " ",
        ]
    ),
    max_size=30,
).map("".join)


def keywords(text: str) -> list[str]:
    return [s.keyword for s in cut(text)]


@given(PIECES)
def test_every_character_belongs_to_a_statement(text) -> None:
    statements = cut(text)
    joined = "".join(s.text for s in statements)
    assert (text + "\n").endswith(joined)
    for s in statements:
        assert (text + "\n")[s.start :].startswith(s.text)
        assert s.line == text.count("\n", 0, s.start) + 1


def test_keywords_inside_a_text_start_nothing() -> None:
    assert keywords('CM_ "first\nBO_ 1 M: 8 A\nlast";\nBU_: A') == ["CM_", "BU_"]


def test_a_list_of_keywords_is_one_statement() -> None:
    assert keywords("NS_ :\n\tCM_\n\tBA_DEF_\n\nBS_:\nBU_:") == ["NS_", "BS_", "BU_"]


def test_a_missing_quote_costs_one_line() -> None:
    text = 'CM_ BO_ 1 "never closed;\nBA_DEF_ BO_ "Name" INT 0 1;\nVAL_ 1 S 0 "off" ;'
    assert keywords(text) == ["CM_", "BA_DEF_", "VAL_"]


def test_what_stands_before_the_first_statement_is_kept() -> None:
    assert keywords("junk\nBU_: A") == ["", "BU_"]
    assert keywords("// a comment\nBU_: A") == ["BU_"]


def test_blocks_and_references() -> None:
    found = blocks(cut("BO_ 5 M: 8 A\n SG_ One : 0|8@1+\n SG_ Two m1 : 8|8@1+\nBO_ 6 N: 0 A\n"))
    assert [(b.head.identifier, [s.signal for s in b.signals]) for b in found] == [
        (5, ["One", "Two"]),
        (6, []),
    ]
    assert cut('BA_ "Cycle" BO_ 5 100;')[0].attribute == "Cycle"
    assert cut('VAL_ 5 One 0 "off" ;')[0].signal == "One"


def test_places_inside_a_statement() -> None:
    statement = cut("\n\nCM_ 'a\nbc'\n")[0]
    assert statement.place(0) == (3, 1)
    assert statement.place(statement.text.index("c'")) == (4, 2)


@given(st.text('"\\ab\n;', max_size=12))
def test_quoted_texts_end_where_the_pattern_says(text: str) -> None:
    # The pattern of a quoted text as DBC grammars write it, which remembers every character.
    pattern = re.compile(r'"(?:\\"|[^"])*"')
    quotes = _Quotes(text)
    for start in (i for i, c in enumerate(text) if c == '"'):
        match = pattern.match(text, start)
        assert quotes.end(start + 1) == (match.end() if match else start + 1)
