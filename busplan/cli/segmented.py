"""Messages of several frames on the command line: what is told of them, and what came of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import parse_identifier
from busplan.cli.output import print_table, say
from busplan.errors import UsageError

if TYPE_CHECKING:
    from busplan.transport.iso15765 import Segmented
    from busplan.transport.report import Tally

SegmentedOption = Annotated[
    list[str] | None,
    typer.Option(
        "--segmented",
        help="Identifiers whose frames are parts of longer messages by ISO 15765-2, as "
        "[NETWORK/]ID[:ANSWER][@1]: ANSWER is where flow control comes from (0x7E0 to 0x7EF and "
        "0x18DA identifiers need none), @1 says that an address byte comes first; commas, "
        "repeatable.",
    ),
]


def parse_segmented(texts: Sequence[str] | None, networks: Sequence[str]) -> tuple[Segmented, ...]:
    """The option as typed, for the networks of a capture; an answer is segmented too."""
    from busplan.frames.identifier import FrameKey
    from busplan.transport.iso15765 import Segmented

    found = []
    for text in (part.strip() for whole in texts or () for part in whole.split(",")):
        place, _, rest = text.rpartition("/")
        if place and place not in networks:
            raise UsageError(f"--segmented: no network {place!r} here, only {', '.join(networks)}")
        pair, _, lead = rest.partition("@")
        if lead not in ("", "1") or rest.endswith("@"):
            raise UsageError(f"--segmented wants @1 or nothing behind the identifier, not {text!r}")
        names = pair.split(":")
        if len(names) > 2:
            raise UsageError(f"--segmented wants ID or ID:ANSWER, not {text!r}")
        numbers = [parse_identifier(name) for name in names]
        if len({extended for _, extended in numbers}) > 1:
            raise UsageError(f"--segmented: {text!r} mixes 11-bit and 29-bit identifiers")
        for network in [place] if place else networks:
            for (number, extended), (other, _) in zip(numbers, reversed(numbers), strict=True):
                key = FrameKey(network, extended, number)
                partner = other if len(numbers) > 1 else None
                found.append(Segmented(key, bool(lead), partner))
    return tuple(found)


def print_sessions(tallies: Iterable[Tally]) -> None:
    """What was sent in several frames by whom to whom, and how many came whole."""
    rows = [
        [
            t.network,
            t.label,
            t.protocol.words.removeprefix("J1939 ").removesuffix(" message"),
            f"{t.sessions:,}",
            f"{t.complete:,}",
            ", ".join(f"{n} {name}" for name, n in t.counts.items() if name != "complete") or "-",
        ]
        for t in tallies
    ]
    if rows:
        say("", "messages of several frames")
        print_table(
            ["network", "what", "kind", "sessions", "whole", "others"],
            rows,
            right=frozenset({3, 4}),
            shrink=frozenset({2, 5}),
        )
