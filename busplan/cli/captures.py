"""Opening captures the same way in every command: options, progress, what was opened."""

from __future__ import annotations

import inspect
import time
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

from busplan.cli.output import print_table, print_text, say
from busplan.cli.progress import progress_bar
from busplan.errors import UsageError
from busplan.wording import moment_text, plural

if TYPE_CHECKING:
    from collections.abc import Iterator

    from busplan.capture.capture import Capture
    from busplan.capture.read import ReadProgress
    from busplan.fleet.catalogue import HowToRead
    from busplan.plan.vehicle import Vehicle
    from busplan.traffic.measured_load import Rates

CaptureFiles = Annotated[
    list[Path],
    typer.Argument(
        metavar="CAPTURE",
        help="Capture files; several that belong together are opened as one.",
        show_default=False,
    ),
]
CaptureFilesOrNone = Annotated[
    list[Path] | None,
    typer.Argument(metavar="CAPTURE", help="Capture files.", show_default=False),
]
PlanOption = Annotated[
    Path | None, typer.Option("--plan", help="Plan file: gives channels to networks.")
]
OffsetOption = Annotated[
    list[str] | None,
    typer.Option(
        "--offset",
        help="FILE=SECONDS added to the times of one file, below 0 too; repeatable.",
    ),
]
ChannelOption = Annotated[
    list[str] | None,
    typer.Option("--channel", help="CHANNEL=NAME renames a channel; repeatable."),
]
ColumnsOption = Annotated[
    str,
    typer.Option(
        "--columns",
        metavar="time=…,id=…,data=…",
        help="What the columns of CSV files hold, by heading or number: time, id, data, bus, "
        "length, extended, remote, error, direction; time=T:ms, id=I:dec tell unit and base, "
        "data=D1..D8 bytes apart. Needed where the headings do not tell.",
        show_default=False,
    ),
]
NoCacheOption = Annotated[
    bool,
    typer.Option("--no-cache", help="Neither use nor keep a copy that opens quickly next time."),
]
BitRateOption = Annotated[
    list[str] | None,
    typer.Option(
        "--bit-rate", help="NETWORK=RATE or NETWORK=RATE/DATARATE [bit/s], without a plan."
    ),
]


@dataclass(frozen=True, slots=True)
class Opening:
    """The block of options, as typed, that every command has that opens captures."""

    offset: OffsetOption = None
    channel: ChannelOption = None
    columns: ColumnsOption = ""
    no_cache: NoCacheOption = False

    def open(self, files: Sequence[Path], vehicle: Vehicle | None = None) -> Capture:
        """Open captures so; with a vehicle, channels become its networks."""
        return open_capture(
            files,
            vehicle=vehicle,
            offsets=self.offset,
            channels=self.channel,
            columns=self.columns,
            cache=not self.no_cache,
        )

    def how_to_read(self, test: str = "") -> HowToRead:
        """What a fleet keeps of the block with a capture, to open it so whenever it is judged."""
        from busplan.capture.csv_columns import parse_columns
        from busplan.fleet.catalogue import HowToRead

        if self.columns:
            parse_columns(self.columns)
        return HowToRead(
            _offsets(self.offset), _pairs("--channel", self.channel), self.columns, test
        )

    def for_another(self, file: Path) -> Opening:
        """The block for a capture held beside: offsets are of files, columns of tables only."""
        from busplan.capture.formats import recognise

        return replace(self, offset=None, columns=recognise(file, self.columns).columns)

    def open_rated(
        self, files: Sequence[Path], plan: Path | None, bit_rates: Sequence[str] | None
    ) -> tuple[Capture, Vehicle | None, dict[str, Rates]]:
        """Captures with the vehicle of a plan, if there is one, and the bit rates as typed."""
        rates, vehicle = parse_rates(bit_rates), None
        if plan is not None:
            from busplan.plan.reader import load_plan

            vehicle = load_plan(plan)
        capture = self.open(files, vehicle)
        check_rated(bit_rates, capture.frames.networks)
        return capture, vehicle, rates


AS_RECORDED = Opening()


def opens_captures(command: Callable[..., None]) -> Callable[..., None]:
    """The command with its parameter ``opening`` spread into the options of :class:`Opening`."""
    signature = inspect.signature(command, eval_str=True)
    hints = get_type_hints(Opening, include_extras=True)
    block = [
        p.replace(annotation=hints[name])
        for name, p in inspect.signature(Opening).parameters.items()
    ]
    spread: list[inspect.Parameter] = []
    for parameter in signature.parameters.values():
        spread += block if parameter.name == "opening" else [parameter]

    @wraps(command)
    def called(**typed: Any) -> None:
        options = {p.name: typed.pop(p.name) for p in block if p.name in typed}
        command(**typed, opening=Opening(**options))

    told: Any = called
    told.__signature__ = signature.replace(parameters=spread)
    told.__annotations__ = {p.name: p.annotation for p in spread}
    return called


_SLOW_BYTES = 20_000_000
"""Below this size no progress is shown."""


def open_capture(
    files: Sequence[Path],
    *,
    vehicle: Vehicle | None = None,
    offsets: Sequence[str] | None = None,
    channels: Sequence[str] | None = None,
    columns: str = "",
    cache: bool = True,
) -> Capture:
    """Open captures with the options as typed; progress goes to stderr."""
    from busplan.capture.capture import apply_plan
    from busplan.capture.read import read_capture

    with _progress(files) as progress:
        capture = read_capture(
            files,
            offsets=_offsets(offsets),
            channels=_pairs("--channel", channels),
            columns=columns,
            cache=cache,
            progress=progress,
        )
    return capture if vehicle is None else apply_plan(capture, vehicle)


def check_rated(bit_rates: Sequence[str] | None, networks: Sequence[str]) -> None:
    """Raise :class:`UsageError` when a bit rate is typed for a network that is not there."""
    from busplan.plan.problems import suggestion

    for name in parse_rates(bit_rates):
        if name not in networks:
            near = suggestion(name, networks, "network")
            raise UsageError(f"--bit-rate: no network {name!r} here{near}")


def _pairs(option: str, texts: Sequence[str] | None) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in texts or ():
        name, sign, value = text.rpartition("=")
        if not (name and sign and value):
            raise UsageError(f"{option} wants NAME=VALUE, not {text!r}")
        if name in found:
            raise UsageError(f"{option} is given twice for {name}")
        found[name] = value
    return found


def _offsets(texts: Sequence[str] | None) -> dict[str, int]:
    return {name: _nanoseconds(value) for name, value in _pairs("--offset", texts).items()}


def _nanoseconds(seconds: str) -> int:
    try:
        given = Decimal(seconds)
        if abs(given) < 10**12:
            return int(given * 10**9)
    except InvalidOperation:
        pass
    raise UsageError(f"--offset wants seconds, not {seconds!r}")


def file_size(path: Path) -> int:
    """Bytes of a file; 0 when it is none, or none any more."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


@contextmanager
def _progress(files: Sequence[Path]) -> Iterator[ReadProgress | None]:
    """A bar with frames a second, for large files."""
    size = sum(file_size(f) for f in files)
    begin = 0.0
    with progress_bar("reading", size, worth=size >= _SLOW_BYTES) as step:

        def show(done: int, total: int, frames: int) -> None:
            nonlocal begin
            begin = begin or time.monotonic()  # what was loaded before does not count
            rate = frames / max(time.monotonic() - begin, 1e-3)
            assert step is not None
            work = "reading" if done < total else "sorting"
            step(done, work=work, note=f"{frames:,} frames, {rate:,.0f}/s")

        yield None if step is None else show


def parse_rates(texts: Sequence[str] | None) -> dict[str, Rates]:
    """``NETWORK=500000`` or ``NETWORK=500000/2000000`` as bit rates by network."""
    from busplan.traffic.measured_load import Rates

    found = {}
    for text in texts or ():
        name, _, value = text.rpartition("=")
        numbers = value.replace("_", "").split("/")
        if not name or len(numbers) > 2 or not all(n.isdigit() and int(n) for n in numbers):
            raise UsageError(
                f"--bit-rate wants NETWORK=RATE or NETWORK=RATE/DATARATE, not {text!r}"
            )
        found[name] = Rates(*map(int, numbers))
    return found


def print_capture(capture: Capture, *, err: bool = False) -> None:
    """What was opened: files, span, clock, and the channel table."""
    from busplan.capture.formats import format_named

    table = capture.frames
    for source in capture.sources:
        offset = (
            f", shifted by {Decimal(source.offset_ns) / 10**9:+f} s" if source.offset_ns else ""
        )
        print_text(
            f"{source.path}: {source.format}, {source.frames:,} {plural(source.frames, 'frame')}, "
            f"clock: {source.clock}{offset}",
            err=err,
        )
        kind = format_named(source.format)
        if kind.limits or kind.step_ns > 1:
            lost = f"no {', no '.join(kind.limits)}; " if kind.limits else ""
            step = f"times to {kind.step_ns / 1e3:g} µs"
            print_text(f"read from {kind.name}: {lost}{step}", indent=2, err=err)
    say(
        f"from {moment_text(table.origin_ns, epoch=table.epoch)}, {table.span_ns / 1e9:,.3f} s",
        err=err,
    )
    if err:
        known = ", ".join(f"{c.name} → {c.network or '?'}" for c in capture.channels)
        print_text(f"channels: {known}", err=True)
        return
    say()
    print_table(
        ["channel", "network", "frames", "errors", "first s", "last s"],
        [
            [
                c.name,
                c.network or "-",
                f"{c.frames:,}",
                f"{c.errors:,}",
                _since(c.first_ns, table.origin_ns),
                _since(c.last_ns, table.origin_ns),
            ]
            for c in capture.channels
        ],
        right=frozenset({2, 3, 4, 5}),
        shrink=frozenset({0, 1}),
    )


def _since(time_ns: int | None, origin_ns: int) -> str:
    return "-" if time_ns is None else f"{(time_ns - origin_ns) / 1e9:.3f}"


def print_missing_rates(names: Sequence[str]) -> None:
    """Say why a network has no load."""
    if names:
        print_text(
            f"No load for {', '.join(names)}: bit rate unknown; give --plan, or "
            f"--bit-rate {names[0]}=500000."
        )


def parse_identifier(text: str) -> tuple[int, bool]:
    """An identifier as typed, and whether it has 29 bits."""
    digits = text[2:] if text[:2].lower() == "0x" else ""
    try:
        value = int(digits, 16)
    except ValueError:
        value = -1
    extended = len(digits) == 8
    if len(digits) not in (3, 8) or not 0 <= value <= (0x1FFF_FFFF if extended else 0x7FF):
        raise UsageError(
            f"{text!r} is no identifier: 0x and three digits up to 0x7FF, or 0x and eight digits "
            "up to 0x1FFFFFFF"
        )
    return value, extended
