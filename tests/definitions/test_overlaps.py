"""Signals that share bits, held against trying every pair; selectors in circles."""

from hypothesis import given
from hypothesis import strategies as st

from busplan.definitions.circles import DEEPEST, without_circles
from busplan.definitions.dbc import parse_dbc
from busplan.definitions.model import Message, MuxCondition, Signal
from busplan.definitions.overlaps import MOST_PAIRS, overlaps


def conditions_of(message: Message, signal: Signal) -> dict[str, tuple[tuple[int, int], ...]]:
    found = {}
    while signal.condition is not None:
        found[signal.condition.selector] = signal.condition.ranges
        if not message.has(signal.condition.selector):
            break
        signal = message.signal(signal.condition.selector)
    return found


def every_pair(message: Message) -> list[tuple[int, int, int]]:
    """Each pair of signals that some frame can hold both of and that share bits."""
    pairs = []
    for i, one in enumerate(message.signals):
        for j, other in enumerate(message.signals[:i]):
            ours, theirs = conditions_of(message, one), conditions_of(message, other)
            apart = any(
                not any(a <= d and c <= b for a, b in ours[name] for c, d in theirs[name])
                for name in ours.keys() & theirs.keys()
            )
            shared = len(set(one.bits()) & set(other.bits()))
            if shared and not apart:
                pairs.append((i, j, shared))
    return pairs


@st.composite
def messages(draw: st.DrawFn) -> Message:
    signals: list[Signal] = []
    for i in range(draw(st.integers(1, 12))):
        above = draw(st.sampled_from([None, "nobody", *(s.name for s in signals)]))
        lows = draw(st.lists(st.integers(0, 4), min_size=1, max_size=2))
        ranges = tuple((low, low + draw(st.integers(0, 2))) for low in lows)
        condition = None if above is None else MuxCondition(above, ranges)
        start, length = draw(st.integers(0, 24)), draw(st.integers(1, 4))
        signals.append(Signal(f"S{i}", start, length, condition=condition))
    order = draw(st.permutations(signals))
    return Message("M", 1, False, 8, tuple(order))


@given(messages())
def test_the_pairs_are_those_of_trying_every_pair(message: Message) -> None:
    expected = every_pair(message)
    found, more = overlaps(message)
    if len(expected) <= MOST_PAIRS:
        assert (found, more) == (expected, False)
    else:
        assert more
        assert len(found) == MOST_PAIRS
        assert set(found) <= set(expected)


def named(above: dict[str, str]) -> Message:
    def below(name: str) -> MuxCondition | None:
        return MuxCondition(above[name], ((0, 0),)) if name in above else None

    names = dict.fromkeys([*above, *above.values()])
    signals = (Signal(n, i % 64, 1, condition=below(n)) for i, n in enumerate(names))
    return Message("M", 1, False, 8, tuple(signals))


def test_what_hangs_on_a_circle_goes_and_all_else_stays() -> None:
    message = named({"a": "b", "b": "c", "c": "b", "d": "a", "x": "y", "s": "s"})
    left, (finding,) = without_circles(message)
    assert [s.name for s in left.signals] == ["x", "y"]
    assert "5 signals of M set aside" in finding.summary


def test_only_depth_beyond_reason_is_set_aside() -> None:
    below = {f"s{i}": f"s{i + 1}" for i in range(DEEPEST)}
    assert without_circles(named(below)) == (named(below), ())
    left, (_,) = without_circles(named({"top": "s0", **below}))
    assert "top" not in {s.name for s in left.signals}
    assert len(left.signals) == DEEPEST + 1


def test_a_circle_in_a_file_is_told_and_the_rest_is_read() -> None:
    text = """BU_: A
BO_ 16 Wheel: 8 A
 SG_ Speed : 0|16@1+ (1,0) [0|0] "" A
 SG_ One m0M : 16|1@1+ (1,0) [0|0] "" A
 SG_ Two m0M : 17|1@1+ (1,0) [0|0] "" A
SG_MUL_VAL_ 16 One Two 0-0;
SG_MUL_VAL_ 16 Two One 0-0;
"""
    read = parse_dbc(text, "x.dbc")
    assert [s.name for s in read.messages[0].signals] == ["Speed"]
    assert "definition-selectors-endless" in {f.code for f in read.findings}
