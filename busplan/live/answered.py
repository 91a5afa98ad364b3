"""What came back for a question, and what that amounts to as findings.

The rules of this file: values only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import format_identifier
from busplan.live.questions import ANSWER_WITHIN_S, Question
from busplan.wording import plain

MOST_BYTES = 32
"""So many bytes of an answer are shown."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back for one question, asked once or several times.

    ``after_s`` is the median time from sending [s] of the ``answered`` ones of ``asked``,
    ``least_s`` and ``most_s`` the extremes; ``None`` when none came. ``data`` is the last answer's
    bytes without those of the transport, ``wrong`` how many had not the expected bytes, ``refused``
    why the node refuses, ``loose`` that its answer is none by the protocol.
    """

    question: Question
    after_s: float | None
    identifier: int | None
    data: bytes = b""
    refused: str = ""
    asked: int = 1
    answered: int = 0
    wrong: int = 0
    least_s: float | None = None
    most_s: float | None = None
    loose: bool = False


def answer_findings(
    answers: Sequence[Answer], network: str, node: str, within_s: float | None = None
) -> tuple[Finding, ...]:
    """What the answers amount to: times, silences, refusals, and bytes that are not as expected.

    A fault for each silence of ``within_s`` [s], the time waited unless the question says another.
    """
    where = Where(network, node)
    return tuple(f for a in answers for f in _findings(a, where, within_s))


def _findings(answer: Answer, where: Where, within_s: float | None) -> list[Finding]:
    question = answer.question
    asked = format_identifier(question.identifier, question.extended)
    waited = question.within_s or (ANSWER_WITHIN_S if within_s is None else within_s)
    if answer.after_s is None or answer.identifier is None:
        often = "" if answer.asked == 1 else f", asked {answer.asked} times"
        return [
            Finding(
                "request-unanswered",
                Weight.FAULT,
                where,
                f"no answer to {question.name} ({asked}) within {waited:g} s{often}",
                why="Nodes that rely on asking it will not get their value.",
                action="Ask the maker whether this software answers requests.",
                figures=(Figure("waited", waited, "s"),),
            )
        ]
    came = format_identifier(answer.identifier, question.extended)
    shown = answer.data[:MOST_BYTES].hex(" ").upper() or "no bytes"
    if len(answer.data) > MOST_BYTES:
        shown += f" … ({len(answer.data)} bytes)"
    if answer.refused:
        return [
            Finding(
                "request-refused",
                Weight.CAUTION,
                where,
                f"{question.name} ({asked}) was refused by {came}: {answer.refused}",
                why="A refusal is no answer: the value was not given.",
                action="Ask the maker in which session or state it answers.",
                figures=(Figure("answer", answer.after_s * 1e3, "ms"),),
            )
        ]
    findings = []
    times = f"after {plain(answer.after_s * 1e3, 3)} ms"
    figures: tuple[Figure, ...] = (Figure("answer", answer.after_s * 1e3, "ms"),)
    if answer.asked > 1 and answer.least_s is not None and answer.most_s is not None:
        times = (
            f"{answer.answered} of {answer.asked} times, after "
            f"{plain(answer.after_s * 1e3, 3)} ms in the middle "
            f"({plain(answer.least_s * 1e3, 3)} to {plain(answer.most_s * 1e3, 3)} ms)"
        )
        figures += (
            Figure("shortest", answer.least_s * 1e3, "ms"),
            Figure("longest", answer.most_s * 1e3, "ms"),
        )
    if answer.wrong:
        wanted = " ".join(str(e) for e in question.expected)
        findings.append(
            Finding(
                "answer-unexpected",
                Weight.FAULT,
                where,
                f"{came} answered {question.name} with other bytes than expected in "
                f"{answer.wrong} of {answer.answered}: {shown}; expected {wanted}",
                why="It is another version, another part or another state than the test is for.",
                action="Expect what it says, without the length byte before it, as shown here."
                if _with_length(answer)
                else "Compare its label with the order, and the expectation with the manual.",
                figures=(Figure("wrong", answer.wrong), Figure("of", answer.answered)),
            )
        )
    if answer.answered < answer.asked:
        findings.append(
            Finding(
                "request-unanswered",
                Weight.FAULT,
                where,
                f"{question.name} ({asked}) was not answered within {waited:g} s in "
                f"{answer.asked - answer.answered} of {answer.asked} times",
                why="Nodes that rely on asking it will now and then not get their value.",
                action="Ask the maker how often it may be asked.",
                figures=(Figure("waited", waited, "s"),),
            )
        )
    findings.append(
        Finding(
            "request-answered",
            Weight.NOTE,
            where,
            f"{question.name} ({asked}) was answered by {came} {times}: {shown}"
            + (", which is no answer by its protocol" if answer.loose else ""),
            figures=figures,
        )
    )
    return findings


def _with_length(answer: Answer) -> bool:
    """Whether the expectation begins with the length byte of ISO 15765-2, which is no answer's."""
    first = min(answer.question.expected, key=lambda e: e.start, default=None)
    length = len(answer.data)
    return first is not None and first.start == 0 and first.length == 1 and first.low == length
