"""A frame drawn as text: one line a field or payload byte, with time, bits and meaning."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busplan.wire.bits import WireBit, WireFrame

LEGEND = "[x] stuff bit   (x) fixed stuff bit   0 dominant   1 recessive"

_IN_HEX = {"identifier", "extension", "data", "CRC"}


def draw_frame(
    frame: WireFrame, bit_rate: int, data_bit_rate: int | None = None
) -> tuple[str, ...]:
    """The lines of the drawing.

    Columns: number of the line's first bit, time of its start [µs], field, bits (in groups of four
    where no fixed stuff bits part them already), value where it has one. Bit rates in bit/s.
    """
    lines = [f"{'bit':>4} {'µs':>8}  {'field':<14}  {'bits':<28}  value"]
    slow, fast = 1e6 / bit_rate, 1e6 / (data_bit_rate or bit_rate)
    place, time = 0, 0.0
    at_data_rate = False
    for name, bits in _rows(frame):
        if bits[0].fast != at_data_rate:
            at_data_rate = bits[0].fast
            rate = (data_bit_rate or bit_rate) if at_data_rate else bit_rate
            lines.append(f"{'':>4} {'':>8}  -- {rate / 1000:g} kbit/s --")
        text = f"{place:>4} {time:>8.2f}  {name:<14}  {_spelled(bits):<28}  {_value(name, bits)}"
        lines.append(text.rstrip())
        place += len(bits)
        time += sum(fast if b.fast else slow for b in bits)
    lines.append(f"{place:>4} {time:>8.2f}  end")
    return tuple(lines)


def _rows(frame: WireFrame) -> Iterator[tuple[str, tuple[WireBit, ...]]]:
    """Fields in order; the payload a byte at a time, stuff bits with the bit before them."""
    for name, bits in frame.fields():
        if name != "data":
            yield name, bits
            continue
        number, start, own = 0, 0, 0
        for end, bit in enumerate(bits, 1):
            own += not bit.stuff
            stuffed_next = end < len(bits) and bits[end].stuff == "dynamic"
            if own == 8 and not stuffed_next:
                yield f"{name} {number}", bits[start:end]
                number, start, own = number + 1, end, 0


def _spelled(bits: Sequence[WireBit]) -> str:
    text, own = "", 0
    total = sum(not b.stuff for b in bits)
    parted = any(b.stuff == "fixed" for b in bits)
    for bit in bits:
        if bit.stuff:
            text += f"[{bit.value}]" if bit.stuff == "dynamic" else f"({bit.value})"
            continue
        # Groups of four are counted from the end, as hexadecimal digits are.
        if own and (total - own) % 4 == 0 and not parted:
            text += " "
        text += str(bit.value)
        own += 1
    return text


def _value(name: str, bits: Sequence[WireBit]) -> str:
    own = [str(b.value) for b in bits if not b.stuff]
    value = int("".join(own), 2)
    kind = name.split(" ")[0] if name.startswith("data ") else name
    if kind in _IN_HEX:
        return f"0x{value:0{-(-len(own) // 4)}X}"
    if kind == "stuff count":
        gray = value >> 1
        return f"{gray ^ gray >> 1 ^ gray >> 2} modulo 8"
    return str(value) if kind == "DLC" else ""
