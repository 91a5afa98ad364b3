"""A live test for ``busplan bench``: the one place that hands out what can send."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from busplan.bench.record import BenchRecord
    from busplan.bench.run import BenchTest
    from busplan.live.feed_file import Fed


def live_record(
    test: BenchTest,
    interface: str,
    seconds: float,
    *,
    folder: Path | None,
    questions: Sequence[str] | None,
    fed: Sequence[Fed],
    acknowledge: bool,
    serial: str,
) -> BenchRecord:
    """Listen to the node; ``questions``: the user said that it may be asked, these and the usual,
    and sent what is ``fed``.

    This is the one place of the command line that hands out what can send.
    """
    from busplan.bench.live_run import run_live
    from busplan.cli.bench_terminal import Terminal
    from busplan.cli.recording import stop_on_signals
    from busplan.live.interface_spec import parse_single_interface
    from busplan.live.interfaces import open_sender

    with stop_on_signals() as stop:
        return run_live(
            test,
            parse_single_interface(interface, test.network),
            seconds=seconds,
            folder=folder,
            sender=None if questions is None else open_sender,
            questions=questions or (),
            fed=fed,
            acknowledge=acknowledge,
            serial=serial,
            stop=stop,
            guide=Terminal(test, seconds),
        )
