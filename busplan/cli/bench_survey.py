"""``busplan bench NAME --survey``: a part without a definition, from listening to a draft."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from busplan.bench.survey_record import SurveyRecord
    from busplan.frames.table import FrameTable

BENCH = "bench"


class Heard(NamedTuple):
    """The frames of the part, and where they are kept."""

    table: FrameTable
    capture: str
    sha256: str
    date: datetime


class SurveySource(NamedTuple):
    """Where the frames come from: a live interface, or a channel of a capture."""

    interface: str | None
    capture: Path | None
    channel: str | None
    columns: str
    cache: bool


class SurveyTyped(NamedTuple):
    """What the tester gave for the record."""

    serial: str
    tester: str
    details: tuple[tuple[str, str], ...]
    photos: tuple[tuple[str, str], ...]


def survey_part(
    node: str,
    source: SurveySource,
    seconds: float,
    folder: Path | None,
    rates: tuple[int, int | None],
    typed: SurveyTyped,
) -> SurveyRecord:
    """Listen to a part or read its capture, and say what it sends."""
    from busplan.bench.protocol import told_by_protocol
    from busplan.bench.survey_record import SurveyRecord
    from busplan.cli.output import print_caution
    from busplan.traffic.measured_load import Rates
    from busplan.traffic.survey_report import survey_traffic
    from busplan.transport.messages import put_together

    print_caution()
    if source.interface is not None:
        heard = _heard_live(node, source.interface, seconds, folder, rates)
    else:
        assert source.capture is not None
        heard = _heard_in_file(source.capture, source.channel, source.columns, source.cache)
    told = told_by_protocol(put_together(heard.table).table())
    return SurveyRecord(
        node,
        survey_traffic(heard.table, rates={BENCH: Rates(*rates)}),
        heard.table.span_ns / 1e9,
        rates[0],
        date=heard.date,
        capture=heard.capture,
        capture_sha256=heard.sha256,
        identity=tuple((t.name, t.text) for t in told),
        **typed._asdict(),
    )


def _heard_live(
    node: str, interface: str, seconds: float, folder: Path | None, rates: tuple[int, int | None]
) -> Heard:
    """Listen to the part for so long, silently, into a log."""
    from busplan.bench.record import for_file
    from busplan.cli.output import print_text
    from busplan.cli.recording import Display, stop_on_signals
    from busplan.live.interface_spec import parse_single_interface
    from busplan.live.listening import Guide, listen
    from busplan.live.recording_status import RecordingStatus

    display = Display()

    class Quiet(Guide):
        def say(self, words: str) -> None:
            print_text(words, err=True)

        def listening(self, status: RecordingStatus) -> None:
            display.update(status)

        def heard(self) -> None:
            display.close()

    spec = parse_single_interface(interface, BENCH)
    spec = replace(spec, bit_rate=rates[0], data_bit_rate=rates[1])
    with stop_on_signals() as stop:
        kept = listen(
            spec,
            seconds=seconds,
            stem=f"survey-{for_file(node)}",
            folder=folder,
            stop=stop,
            guide=Quiet(),
        )
    return Heard(kept.table, kept.log.name, kept.sha256, kept.date)


def _heard_in_file(path: Path, channel: str | None, columns: str, cache: bool) -> Heard:
    """The frames of one channel of a capture."""
    from busplan.capture.checksum import sha256_of
    from busplan.cli.captures import open_capture
    from busplan.errors import UsageError

    capture = open_capture([path], columns=columns, cache=cache)
    names = [c.name for c in capture.channels]
    if channel is None and len(names) != 1:
        raise UsageError(f"{path}: say with --channel which is the bench's ({', '.join(names)})")
    chosen = channel or names[0]
    if chosen not in names:
        raise UsageError(f"{path} has no channel {chosen!r}; it has {', '.join(names)}")
    import numpy as np

    frames = capture.frames
    number = frames.networks.index(chosen)
    mine = frames.take(np.flatnonzero(frames.network == number)).relabel({chosen: BENCH})
    return Heard(mine, path.name, sha256_of(path), datetime.now().astimezone())


def show_survey(made: SurveyRecord, out: Path | None, *, as_json: bool) -> None:
    """Print the record and, with ``out``, keep it there with the draft definition."""
    from busplan.bench.draft import draft_messages
    from busplan.bench.survey_record import HEAD
    from busplan.cli.bench_records import keep_files
    from busplan.cli.output import json_text, print_json, print_text, say, table_width
    from busplan.definitions.writing import dbc_bytes, dbc_text
    from busplan.text.table import table_lines

    if out is not None:
        draft = dbc_text(
            draft_messages(made.survey, made.node),
            (made.node,),
            comment=f"Draft of {made.node} from {made.capture}; confirm every line.",
            bit_rate=made.bit_rate,
        )
        made = replace(made, draft=f"{made.stem}.dbc")
        texts = {
            "json": json_text(made.as_dict()) + "\n",
            "md": made.to_markdown(),
            "html": made.to_html(),
            "dbc": dbc_bytes(draft).decode("cp1252"),
        }
        keep_files(out, made.stem, texts)
    if as_json:
        print_json(made.as_dict())
        return
    say(made.headline)
    say()
    for name, value in made.facts[:-1]:
        print_text(value, lead=f"{name:<15} ")
    say()
    cells = [list(HEAD), *made.rows]
    leads = table_lines(HEAD[:-1], [r[:-1] for r in made.rows], table_width(), right=(1, 3))
    wide = max(map(len, leads))
    for lead, row in zip(leads, cells, strict=True):
        print_text(row[-1], lead=f"{lead:<{wide}}  ")
