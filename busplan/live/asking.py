"""Asking a node: requests that are sent only when the user says so, and who answered how soon.

The rules of this file: :func:`ask` needs a :class:`~busplan.live.interfaces.Sender`, which only
exists after an explicit consent.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import format_identifier
from busplan.live.journal import Journal, JournalKind
from busplan.live.questions import Question

if TYPE_CHECKING:
    from busplan.live.interfaces import Sender

ANSWER_WITHIN_S = 1.25
"""How long an answer may take (SAE J1939-21, from memory)."""
STALE_S = 0.05
"""How long frames that have come before a question are passed over, at most."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: time from sending [s] and the frame, or ``None`` for both."""

    question: Question
    after_s: float | None
    identifier: int | None


def ask(sender: Sender, question: Question, within_s: float) -> Answer:
    """Send one question and wait for its answer; what came before it is no answer."""
    import can

    begin = time.monotonic()
    while time.monotonic() < begin + STALE_S and sender.receive(0) is not None:
        pass
    sent = can.Message(
        arbitration_id=question.identifier,
        is_extended_id=question.extended,
        data=question.data,
    )
    sender.send(sent)
    begin = time.monotonic()
    while (left := begin + within_s - time.monotonic()) > 0:
        message = sender.receive(left)
        if message is None or message.is_error_frame or message.is_remote_frame:
            continue
        identifier, data = message.arbitration_id, bytes(message.data)
        if (identifier, data) == (question.identifier, question.data):
            continue  # our own question, brought back by the bus
        if question.answered_by(identifier, message.is_extended_id, data):
            return Answer(question, time.monotonic() - begin, identifier)
    return Answer(question, None, None)


def ask_all(
    sender: Sender, questions: Iterable[Question], journal: Journal, stop: threading.Event
) -> list[Answer]:
    """Ask one question after the other, each noted in the journal before it goes out.

    ``stop`` leaves out those that have not been asked yet.
    """
    answers = []
    for question in questions:
        if stop.is_set():
            break
        journal.note(JournalKind.SENDING, frame=question.frame, purpose=question.name)
        answers.append(ask(sender, question, ANSWER_WITHIN_S))
        journal.note(JournalKind.ANSWER, after_s=answers[-1].after_s)
    return answers


def answer_findings(
    answers: Iterable[Answer], network: str, node: str, within_s: float | None = None
) -> tuple[Finding, ...]:
    """A note for each answer, a fault for each silence of ``within_s`` [s], as long as was waited.

    ``None`` is the usual time, :data:`ANSWER_WITHIN_S`.
    """
    within_s = ANSWER_WITHIN_S if within_s is None else within_s
    findings = []
    for answer in answers:
        asked = format_identifier(answer.question.identifier, answer.question.extended)
        if answer.after_s is None or answer.identifier is None:
            findings.append(
                Finding(
                    "request-unanswered",
                    Weight.FAULT,
                    Where(network, node),
                    f"no answer to {answer.question.name} ({asked}) within {within_s:g} s",
                    why="Nodes that rely on asking it will not get their value.",
                    action="Ask the maker whether this software answers requests.",
                    figures=(Figure("waited", within_s, "s"),),
                )
            )
        else:
            came = format_identifier(answer.identifier, answer.question.extended)
            findings.append(
                Finding(
                    "request-answered",
                    Weight.NOTE,
                    Where(network, node),
                    f"{answer.question.name} ({asked}) was answered by {came} after "
                    f"{answer.after_s * 1e3:.0f} ms",
                    figures=(Figure("answer", answer.after_s * 1e3, "ms"),),
                )
            )
    return tuple(findings)
