"""A bench test on a live bus, from listening to the record.

The rules of this file: nothing is opened here, and nothing is sent unless the caller hands in what
opens a sender.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from busplan.bench.node_report import SentFrame
from busplan.bench.run import BenchTest
from busplan.errors import UsageError
from busplan.live.interface_spec import InterfaceSpec, at_bit_rates
from busplan.live.listening import Guide, Stop, ask_node, listen
from busplan.live.questions import questions_for

if TYPE_CHECKING:
    from busplan.bench.record import BenchRecord
    from busplan.findings import Finding
    from busplan.live.asking import Answer
    from busplan.live.interfaces import Sender


def run_live(
    test: BenchTest,
    spec: InterfaceSpec,
    *,
    seconds: float,
    folder: Path | None = None,
    sender: Callable[[InterfaceSpec], Sender] | None = None,
    questions: Sequence[str] = (),
    acknowledge: bool = False,
    stop: Stop | None = None,
    guide: Guide | None = None,
) -> BenchRecord:
    """Listen for ``seconds`` [s] into a log in ``folder``, ask when told to, and judge the node.

    ``spec`` names the test's network and gets its bit rates. With the limits' ``power_on_ns`` the
    guide gives a cue at that moment after the start.

    Nothing is sent unless ``sender`` is given: :func:`busplan.live.interfaces.open_sender`, with
    the tester's consent. Then the node gets the ``questions`` (as
    :func:`~busplan.live.questions.parse_question` reads them), on a J1939 network also the usual
    ones. ``stop`` ends the test early; then nothing is sent.

    ``acknowledge`` opens the adapter in its normal mode: it gives acknowledge bits and no frame.

    Raises :class:`UsageError` for a wrong question, questions without a sender or a folder that
    cannot be made, and :class:`~busplan.errors.InterfaceError` for an interface that cannot be
    opened.
    """
    if questions and sender is None:
        raise UsageError("questions are sent: that needs the explicit consent to transmit")
    guide, stop, limits = guide or Guide(), stop or Stop(), test.limits
    spec = at_bit_rates(spec, test.vehicle)
    wanted = [] if sender is None else questions_for(test.messages, questions)
    power_on_s = None if not limits.power_on_ns else limits.power_on_ns / 1e9
    heard = listen(
        spec,
        seconds=seconds,
        stem=f"bench-{test.node}",
        folder=folder,
        cue=None if power_on_s is None else (power_on_s, f"Switch {test.node} on NOW."),
        acknowledge=acknowledge,
        stop=stop,
        guide=guide,
    )
    moved = test.limits_while(heard.table, heard.begin_ns, heard.end_ns)
    if moved is None:
        if limits.power_on_ns is not None:
            guide.say("the interface has a clock of its own: start-up time not measured")
        moved = replace(limits, power_on_ns=None, start_within_ns=None)
    answers: tuple[Answer, ...] = ()
    findings: tuple[Finding, ...] = ()
    if sender is not None:
        answers, findings = ask_node(
            spec, test.node, wanted, sender, heard.journal, stop=stop, guide=guide
        )
    return test.record(
        heard.table,
        limits=moved,
        sent=tuple(
            SentFrame(
                a.question.frame,
                a.question.name,
                None if a.after_s is None else round(a.after_s * 1e3, 3),
            )
            for a in answers
        ),
        more=findings,
        date=heard.date,
        acknowledged=acknowledge,
        capture=heard.log.name,
        capture_sha256=heard.sha256,
    )
