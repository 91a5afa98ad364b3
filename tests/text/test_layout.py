"""Sentences and tables as lines, against Python's own text wrapping."""

import re
import textwrap
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from busplan.findings import Finding, Weight, Where
from busplan.text.finding import finding_block
from busplan.text.runs import text, wrap, wrapped
from busplan.text.table import number_text, table_lines

SENTENCES = st.lists(
    st.sampled_from(["a", "cell", "well-known", "12", "mV", "250000", "x" * 30, " ", "\n", "%"])
).map(lambda words: " ".join(words).strip())


@given(SENTENCES, st.integers(10, 60), st.sampled_from(["", "why: ", "+ warm-up   "]))
def test_sentences_break_where_textwrap_breaks_them(sentence: str, columns: int, lead: str) -> None:
    """``textwrap`` of the standard library is the reference; it knows no percent signs."""
    ours = wrapped(sentence, columns, first=lead, rest=" " * len(lead))
    reference = textwrap.wrap(
        re.sub(r"(?<=\d) (?=%)", "_", sentence),
        columns,
        initial_indent=lead,
        subsequent_indent=" " * len(lead),
        break_long_words=False,
        break_on_hyphens=False,
    )
    assert ours == [re.sub(r"(?<=\d)_(?=%)", " ", line) for line in reference]


@given(SENTENCES, st.integers(10, 60))
def test_numbers_stay_with_their_units_and_nothing_is_lost(sentence: str, columns: int) -> None:
    sentence = " ".join(sentence.split())  # one blank stands between a number and its unit
    lines = wrapped(sentence, columns, figures=True)
    assert " ".join(lines).split() == sentence.split()
    for above, below in pairwise(lines):
        assert not (above[-1].isdigit() and below[0].isalpha())


@given(SENTENCES, st.integers(10, 60), st.integers(0, 4))
def test_the_same_sentence_as_runs_has_the_same_words(
    sentence: str, columns: int, indent: int
) -> None:
    lines = [text(line) for line in wrap(sentence, columns, indent=indent)]
    assert " ".join(lines).split() == sentence.split()
    assert all(line.startswith(" " * indent) for line in lines[1:])


def test_a_table_cuts_its_names_in_the_middle_and_no_figures() -> None:
    rows = [("ModuleTemperaturesOfEnclosureFrontLeft1", "1.25"), ("Short", "12.50")]
    lines = table_lines(("message", "ms"), rows, 30, right={1}, shrink={0})
    assert all(len(line) <= 30 for line in lines)
    assert lines[1].startswith("Module")
    assert "~" in lines[1]
    assert lines[1].endswith("   1.25")
    assert lines[2].endswith("  12.50")


def test_numbers_in_tables_have_no_minus_zero_and_say_when_they_are_unknown() -> None:
    assert number_text(float("nan")) == "-"
    assert number_text(-0.04) == "0.0"
    assert number_text(-0.04, 2, sign=True) == "-0.04"
    assert number_text(0.04, sign=True) == "0.0"
    assert number_text(2.5, 0) == "2"


def test_a_finding_is_told_with_its_place_below_where_it_does_not_fit() -> None:
    finding = Finding(
        "load-over-limit",
        Weight.CAUTION,
        Where("pack"),
        "The load is 85.0 % of the time.",
        "Frames come late.",
        "Raise the bit rate.",
    )
    assert finding_block(finding, 60) == [
        "! caution load-over-limit  pack",
        "    The load is 85.0 % of the time.",
        "    why: Frames come late.",
        "    do:  Raise the bit rate.",
        "    see: busplan manual what-is-load",
    ]
    assert finding_block(finding, 24, details=False) == [
        "! caution load-over-limit",
        "    pack",
        "    The load is 85.0 %",
        "    of the time.",
    ]
