"""``busplan frame``: one frame's bits, drawn."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from busplan.cli.output import EXIT_OF_DATA
from busplan.errors import UsageError


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
    from busplan.cli.output import print_json
    from busplan.frames.identifier import format_identifier
    from busplan.wire.bits import frame_bits
    from busplan.wire.drawing import LEGEND, draw_frame
    from busplan.wire.lengths import duration_ns, nominal_bits, worst_bits

    if identifier == "error":
        _print_error_frame(bit_rate, json)
        return
    number, wide = _identifier(identifier)
    wide, fd = wide or extended, fd or brs
    data = _bytes("".join(payload or ()))
    try:
        drawn = frame_bits(
            number,
            data,
            extended=wide,
            fd=fd,
            switched=brs,
            error_passive=esi and fd,
            remote=remote,
            dlc=dlc,
        )
    except ValueError as error:
        hint = ""
        if number > 0x7FF and not wide:
            hint = " (--extended makes it a 29-bit identifier)"
        elif len(data) > 8 and not fd:
            hint = " (--fd makes it a CAN FD frame)"
        raise UsageError(f"{error}{hint}") from None
    shape: dict[str, bool] = {"extended": wide, "fd": fd, "switched": brs, "remote": remote}
    least, most = nominal_bits(len(data), **shape), worst_bits(len(data), **shape)
    rates = (bit_rate, data_bit_rate if brs else None)
    times = [duration_ns(b, *rates) / 1000 for b in (drawn.counted, least, most)]
    label = format_identifier(number, wide)
    if json:
        print_json(_document(drawn, label, data, times, least, most))
        return
    kind = "CAN FD" if fd else "remote" if remote else "classical"
    size = "1 byte" if len(data) == 1 else f"{len(data)} bytes"
    typer.echo(f"{label}  {kind} frame, {size}")
    for line in draw_frame(drawn, *rates):
        typer.echo(line)
    typer.echo(LEGEND)
    counted = drawn.counted
    parts = f" ({counted.arbitration} + {counted.data} at the data bit rate)" if brs else ""
    stuff = drawn.count("dynamic")
    typer.echo(f"{counted.total} bits{parts}, {stuff} of them stuff bits: {times[0]:.2f} µs")
    typer.echo(
        f"any such frame: {least.total} to at most {most.total} bits, "
        f"{times[1]:.2f} to {times[2]:.2f} µs"
    )


def _print_error_frame(bit_rate: int, json: bool) -> None:
    """The longest active error frame; what it breaks off comes on top."""
    from busplan.cli.output import print_json
    from busplan.wire.bits import error_frame_bits
    from busplan.wire.drawing import draw_frame
    from busplan.wire.lengths import ERROR_BITS_WORST

    shortest, longest = error_frame_bits(0), error_frame_bits(6)
    if json:
        bits = {"least": len(shortest), "most": len(longest), "analysis": ERROR_BITS_WORST}
        print_json({"kind": "error frame", "bits": bits, "microseconds_per_bit": 1e6 / bit_rate})
        return
    typer.echo("error frame, every other node answering as late as it may")
    for line in draw_frame(longest, bit_rate):
        typer.echo(line)
    typer.echo(
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


def _document(
    drawn: Any, label: str, data: bytes, times: list[float], least: Any, most: Any
) -> dict[str, Any]:
    return {
        "identifier": label,
        "payload": data.hex().upper(),
        "bits": drawn.text,
        "crc": f"0x{drawn.crc:X}",
        "arbitration_bits": drawn.counted.arbitration,
        "data_bits": drawn.counted.data,
        "stuff_bits": drawn.count("dynamic"),
        "fixed_stuff_bits": drawn.count("fixed"),
        "duration_us": times[0],
        "nominal": {"bits": least.total, "duration_us": times[1]},
        "worst": {"bits": most.total, "duration_us": times[2]},
        "fields": [
            {
                "name": name,
                "bits": "".join(str(b.value) for b in bits),
                "stuff": [i for i, b in enumerate(bits) if b.stuff],
            }
            for name, bits in drawn.fields()
        ],
    }
