"""How late gateways bring messages at least, held against every placement of small questions."""

from itertools import islice

from hypothesis import given, settings
from hypothesis import strategies as st
from support.allot_lines import answers, counted, made_line

from busplan.allot.delays import resting_on_little, with_least_delays
from busplan.allot.judge import Delays
from busplan.allot.learnt import Elsewhere
from busplan.allot.problem import Placement

THIN = 7
"""Every so manieth placement is looked at."""


@given(seed=st.integers(0, 10**6))
@settings(max_examples=15)
def test_a_message_comes_as_late_as_that_wherever_it_is_sent(seed: int) -> None:
    question = with_least_delays(made_line(seed, networks=3))
    for answer in islice(answers(question), 0, None, THIN):
        late, arrives = counted(question, answer)
        for (u, m, _), ns in arrives.items() if not late else ():
            least = question.units[u].sent[m].late_ns
            assert 0 < least <= ns


def is_so(answer: Placement, elsewhere: Elsewhere) -> bool:
    """Whether what a delay rests on is so in an answer; nobody has options here."""
    brought = {(c.unit, c.message, c.network, answer.option[c.unit]) for c in answer.carried}
    return (
        all(answer.where[i] == k for i, _, k in elsewhere.units)
        and elsewhere.carried <= brought
        and all(answer.rates[k] <= rate for k, rate in elsewhere.rates)
    )


@given(seed=st.integers(0, 10**6), longest=st.floats(0.1, 0.9))
@settings(max_examples=15)
def test_delays_hold_wherever_what_they_rest_on_is_so(seed: int, longest: float) -> None:
    """A network is said to be wrong as soon as something comes there late by a part of the most."""
    question = with_least_delays(made_line(seed, networks=3))
    everything = [(a, *counted(question, a)) for a in islice(answers(question), 0, None, THIN)]
    for answer, late, arrives in everything[::5]:
        most = {
            k: max((n for (_, _, to), n in arrives.items() if to == k), default=0) for k in range(3)
        }
        for k in [k for k, ns in most.items() if ns and not late]:

            def wrong(known: Delays, k: int = k, ns: float = longest * most[k]) -> bool:
                return any(delay.ns >= ns for key, delay in known.items() if key[2] == k)

            for delays in islice(resting_on_little(question, answer, k, wrong), 4):
                assert wrong(delays)
                assert len(delays) == 1, "one late message is enough"
                for other, others_late, arrives_there in everything:
                    for key, delay in delays.items():
                        if key in arrives_there and not others_late and is_so(other, delay.beside):
                            assert arrives_there[key] >= delay.ns
