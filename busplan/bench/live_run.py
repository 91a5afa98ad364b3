"""A bench test on a live bus, from listening to the record.

The rules of this file: nothing is opened here, and nothing is sent unless the caller hands in what
opens a sender.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from busplan.bench.fault_steps import CAUTION as FAULT_CAUTION
from busplan.bench.fault_steps import fault_cues
from busplan.bench.node_report import Asked, BenchLimits, SentFrame
from busplan.bench.record import for_file
from busplan.bench.run import BenchTest
from busplan.decode.iso14229 import identification
from busplan.errors import UsageError
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.live.answered import Answer, answer_findings
from busplan.live.asking import Asker, Line
from busplan.live.feed_file import Fed
from busplan.live.feeding import Feeder
from busplan.live.interface_spec import InterfaceSpec, at_bit_rates
from busplan.live.journal import Loss, losses
from busplan.live.listening import Guide, Stop, listen
from busplan.live.questions import questions_for

if TYPE_CHECKING:
    from busplan.bench.record import BenchRecord
    from busplan.live.interfaces import Sender


LOSS_TOLD_NS = 2_000_000_000
"""The recorder tells a loss within a second of seeing it, and sees it soon."""
HAND_NS = 1_000_000_000
"""From the prompt until the supply is on it takes a hand so long at most (common practice, no
source)."""
BURST_BEFORE_NS, BURST_NS = 300_000_000, 1_000_000_000
"""So far around the end of a loss frames are looked for that were read all at once."""
AT_ONCE_NS, FEWEST_AT_ONCE = 1_000_000, 6
"""So many frames, each so soon after the one before, were read at once."""


def run_live(
    test: BenchTest,
    spec: InterfaceSpec,
    *,
    seconds: float,
    folder: Path | None = None,
    sender: Callable[[InterfaceSpec], Sender] | None = None,
    questions: Sequence[str] = (),
    fed: Sequence[Fed] = (),
    acknowledge: bool = False,
    serial: str = "",
    stop: Stop | None = None,
    guide: Guide | None = None,
) -> BenchRecord:
    """Listen for ``seconds`` [s] into a log in ``folder``, ask when told to, and judge the node.

    What is asked and what comes back is part of the same recording.

    ``spec`` names the test's network and gets its bit rates. With the limits' ``power_on_ns`` the
    guide gives a cue at that moment after the start.

    ``fed`` are messages that are sent cyclically from the start on, as
    :func:`~busplan.live.feed_file.read_feed` reads them.

    Nothing is sent unless ``sender`` is given: :func:`busplan.live.interfaces.open_sender`, with
    the tester's consent. Then the node gets the ``questions`` (as
    :func:`~busplan.live.questions.parse_question` reads them), on a J1939 network also the usual
    ones, and what the plan expects it to tell. ``stop`` ends the test early; then nothing is sent.

    ``serial`` stands in the log's name. ``acknowledge`` opens the adapter in its normal mode: it
    gives acknowledge bits and no frame.

    Raises :class:`UsageError` for a wrong question, for anything to send without a sender, or a
    folder that cannot be made, and :class:`~busplan.errors.InterfaceError` for an interface that
    cannot be opened.
    """
    if (questions or fed) and sender is None:
        raise UsageError("questions are sent: that needs the explicit consent to transmit")
    guide, stop, limits = guide or Guide(), stop or Stop(), test.limits
    limits = replace(limits, acknowledges=acknowledge)
    if limits.power_on_ns is not None or limits.power_cycles:
        limits = replace(limits, hand_ns=HAND_NS)
    test = replace(test, limits=limits)
    if limits.faults:
        guide.say(FAULT_CAUTION)
    spec = at_bit_rates(spec, test.vehicle)
    expected = test.vehicle.expected.get(test.node)
    here = None if expected is None else expected.on(test.network)
    wanted = [] if sender is None else questions_for(test.messages, questions, here)
    if sender is not None and not (wanted or fed):
        guide.say("nothing to send: this network has no J1939 layout; use --ask or --feed")
    line = Line(sender) if sender is not None and (wanted or fed) else None
    asker = None if line is None or not wanted else Asker(line, wanted)
    feeder = None if line is None or not fed else Feeder(line, fed)
    heard = listen(
        spec,
        seconds=seconds,
        stem="-".join(p for p in ("bench", for_file(test.node), for_file(serial)) if p),
        folder=folder,
        cues=_cues(limits, test.node),
        acknowledge=acknowledge,
        line=line,
        tasks=tuple(task for task in (feeder, asker) if task is not None),
        stop=stop,
        guide=guide,
    )
    lost = losses(heard.journal.entries, LOSS_TOLD_NS)
    limits = replace(limits, lost=with_bursts(lost, np.sort(heard.table.time_ns)))
    test = replace(test, limits=limits)
    moved = test.limits_while(heard.table, heard.begin_ns, heard.end_ns)
    if moved is None:
        by = heard.begin_ns - heard.first_ns  # to a tenth of a second, which the hand exceeds
        limits = replace(limits, faults=tuple(s.moved(by) for s in limits.faults))
        if limits.power_on_ns is not None or limits.power_cycles:
            guide.say("the interface has a clock of its own: start-up time not measured")
        apart = tuple((a - heard.first_ns, b - heard.first_ns, why) for a, b, why in limits.lost)
        moved = replace(limits, power_on_ns=None, start_within_ns=None, power_cycles=(), lost=apart)
    answers = () if asker is None else tuple(asker.answers)
    for task in (feeder, asker):
        if task is not None and task.trouble:
            guide.say(task.trouble)
    return test.record(
        heard.table,
        limits=moved,
        asked=asked_of(answers, test.network),
        sent=(*_fed_frames(feeder, fed), *map(_sent_frame, answers)),
        more=answer_findings(answers, test.network, test.node),
        date=heard.date,
        acknowledged=acknowledge,
        capture=heard.log.name,
        capture_sha256=heard.sha256,
    )


def _cues(limits: BenchLimits, node: str) -> list[tuple[float, str]]:
    """When the tester is told to do what."""
    cues = []
    if limits.power_on_ns:
        cues.append((limits.power_on_ns / 1e9, f"Switch {node} on NOW."))
    total = len(limits.power_cycles)
    for n, (off, on) in enumerate(limits.power_cycles, 1):
        cues.append((off / 1e9, f"Cycle {n} of {total}: switch {node} OFF now."))
        cues.append((on / 1e9, f"Cycle {n} of {total}: switch {node} ON now."))
    return sorted([*cues, *fault_cues(limits.faults, node)])


def cycle_plan(count: int, on_s: float, off_s: float) -> tuple[tuple[tuple[int, int], ...], float]:
    """Moments [ns] at which to switch off and on, and how long the test takes [s]."""
    each = on_s + off_s
    moments = [(n * each, n * each + off_s) for n in range(count)]
    return tuple((round(off * 1e9), round(on * 1e9)) for off, on in moments), count * each


def with_bursts(lost: Sequence[Loss], times_ns: I64) -> tuple[Loss, ...]:
    """Losses with what was read at once after them, of frames at ``times_ns`` (n,) in order.

    What waited meanwhile in a buffer gets the times at which it was read, not those of the bus.
    """
    told = []
    for begin, end, why in lost:
        first = int(np.searchsorted(times_ns, end - BURST_BEFORE_NS))
        read = times_ns[first : int(np.searchsorted(times_ns, end + BURST_NS))]
        apart = np.flatnonzero(np.diff(read) > AT_ONCE_NS) + 1
        runs = [r for r in np.split(read, apart) if len(r) >= FEWEST_AT_ONCE]
        if runs:
            end = max(end, int(runs[-1][-1]) + 1)
        told.append(Loss(begin, end, why))
    return tuple(told)


def _fed_frames(feeder: Feeder | None, fed: Sequence[Fed]) -> Iterator[SentFrame]:
    """How often each message was fed; the first frame stands for all."""
    for one, times in zip(fed, () if feeder is None else feeder.sent, strict=False):
        number = one.message.label.removeprefix("0x")
        yield SentFrame(
            f"{number}#{one.payloads(0, 1)[0].hex().upper()}",
            f"{one.message.name}, every {one.every_ns / 1e6:g} ms",
            None,
            times=times,
            fed=True,
        )


def asked_of(answers: Sequence[Answer], network: str) -> Asked:
    """What of the traffic came because of these questions, and what the answers say."""
    told = (identification(a.data) for a in answers if not a.refused)
    return Asked(
        frozenset(
            FrameKey(network, a.question.extended, a.question.answer_identifier)
            for a in answers
            if a.question.group is None
        ),
        frozenset(a.question.name for a in answers if a.question.group is not None),
        tuple(t for t in told if t is not None),
    )


def _sent_frame(answer: Answer) -> SentFrame:
    def ms(seconds: float | None) -> float | None:
        return None if seconds is None else round(seconds * 1e3, 3)

    several = answer.asked > 1
    return SentFrame(
        answer.question.frame,
        answer.question.name,
        ms(answer.after_s),
        answer=answer.data.hex().upper(),
        refused=answer.refused,
        times=answer.asked,
        answered=answer.answered,
        shortest_ms=ms(answer.least_s) if several else None,
        longest_ms=ms(answer.most_s) if several else None,
    )
