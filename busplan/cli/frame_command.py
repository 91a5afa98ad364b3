"""``busplan frame``: one frame's bits, drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.output import EXIT_OF_DATA, print_json, say
from busplan.errors import UsageError

if TYPE_CHECKING:
    from busplan.wire.described import DescribedFrame


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("frame", epilog=EXIT_OF_DATA)(frame)


def frame(
    identifier: Annotated[
        str,
        typer.Argument(
            help="0x123, or eight digits for 29 bits: 0x18EBFF00; 'error' for an error frame."
        ),
    ],
    payload: Annotated[
        list[str] | None, typer.Argument(help="Payload in hexadecimal, spaces allowed.")
    ] = None,
    extended: Annotated[bool, typer.Option(help="29-bit identifier.")] = False,
    fd: Annotated[bool, typer.Option(help="CAN FD frame.")] = False,
    brs: Annotated[
        bool, typer.Option(help="CAN FD frame that switches to the data bit rate.")
    ] = False,
    esi: Annotated[bool, typer.Option(help="CAN FD frame of an error-passive sender.")] = False,
    remote: Annotated[bool, typer.Option(help="Remote frame.")] = False,
    dlc: Annotated[
        int | None, typer.Option(help="Length code of a remote frame, or 9 to 15 for 8 bytes.")
    ] = None,
    bit_rate: Annotated[int, typer.Option(min=1, help="Bit rate [bit/s].")] = 500_000,
    data_bit_rate: Annotated[
        int, typer.Option(min=1, help="Bit rate of a CAN FD frame's data part [bit/s].")
    ] = 2_000_000,
    json: Annotated[bool, typer.Option("--json", help="One JSON document.")] = False,
) -> None:
    """Draw every bit of one frame, with its time on the wire.

    Example: busplan frame 0x123 00 11 22 33 --bit-rate 250000
    """
    from busplan.wire.described import describe_frame

    if identifier == "error":
        _print_error_frame(bit_rate, json)
        return
    number, wide = _identifier(identifier)
    wide, fd = wide or extended, fd or brs
    data = _bytes("".join(payload or ()))
    try:
        described = describe_frame(
            number,
            data,
            extended=wide,
            fd=fd,
            switched=brs,
            error_passive=esi and fd,
            remote=remote,
            dlc=dlc,
            bit_rate=bit_rate,
            data_bit_rate=data_bit_rate,
        )
    except ValueError as error:
        hint = ""
        if number > 0x7FF and not wide:
            hint = " (--extended makes it a 29-bit identifier)"
        elif len(data) > 8 and not fd:
            hint = " (--fd makes it a CAN FD frame)"
        raise UsageError(f"{error}{hint}") from None
    if json:
        print_json(described.as_dict())
    else:
        _print(described, "CAN FD" if fd else "remote" if remote else "classical")


def _print(described: DescribedFrame, kind: str) -> None:
    from busplan.wire.drawing import LEGEND, draw_frame
    from busplan.wording import counted

    size = counted(len(described.payload), "byte")
    say(f"{described.label}  {kind} frame, {size}")
    for line in draw_frame(described.wire, described.bit_rate, described.data_bit_rate):
        say(line)
    say(LEGEND)
    bits, stuff = described.wire.counted, described.wire.count("dynamic")
    one, least, most = described.durations_us
    switched = described.data_bit_rate is not None
    parts = f" ({bits.arbitration} + {bits.data} at the data bit rate)" if switched else ""
    say(f"{bits.total} bits{parts}, {stuff} of them stuff bits: {one:.2f} µs")
    say(
        f"any such frame: {described.least.total} to at most {described.most.total} bits, "
        f"{least:.2f} to {most:.2f} µs"
    )


def _print_error_frame(bit_rate: int, json: bool) -> None:
    """The longest active error frame; what it breaks off comes on top."""
    from busplan.wire.bits import error_frame_bits
    from busplan.wire.described import error_frame_dict
    from busplan.wire.drawing import draw_frame
    from busplan.wire.lengths import ERROR_BITS_WORST

    if json:
        print_json(error_frame_dict(bit_rate))
        return
    shortest, longest = error_frame_bits(0), error_frame_bits(6)
    say("error frame, every other node answering as late as it may")
    for line in draw_frame(longest, bit_rate):
        say(line)
    say(
        f"{len(shortest)} to {len(longest)} bits after the error (response times count "
        f"{ERROR_BITS_WORST}); the broken frame is sent again"
    )


def _identifier(text: str) -> tuple[int, bool]:
    """The value, and whether it is written as a 29-bit identifier."""
    try:
        return int(text, 0), text.lower().startswith("0x") and len(text) == 10
    except ValueError:
        raise UsageError(f"{text!r} is no identifier; write it as 0x123 or 0x18EBFF00") from None


def _bytes(text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise UsageError(f"{text!r} is no payload; write whole bytes as in 00 1A FF") from None
