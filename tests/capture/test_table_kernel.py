"""The kernel of CSV files against careful reading, line by line, on every layout and odd cells.

What the kernel accepts it must read as the careful reader does; that one is compared with
python-can and with what was written in the other tests.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from busplan.capture import tablelog
from busplan.capture.chunks import NOTHING, ChannelNames, Chunk, joined
from busplan.capture.tally import Tally

Cell = Callable[[np.random.Generator], str]

TIMES = {
    "number": ["{0}.{1:06d}", "{0}", "{0}.", ".{1:06d}", "{0}.{1:09d}", " {0}.5 ", "{0},{1:03d}",
               "{0}e1", "-{0}.5", "1_0", "", "{0}.1.2", "17{0}0000000.123456", "9999999999.1",
               "0.00000000000000000000000001", "12345678901234567.5", "nan", "{0}.25\t"],
    "date": ["2026-05-04T08:00:{2:02d}.{1:06d}", "2026-05-04 08:00:{2:02d}", "2024-02-29T23:59:59Z",
             "2023-02-29T00:00:00", "2026-05-04T08:00:00.5+02:00", "2026-05-04T08:00:00-05:30",
             "2026-05-04", "2026-13-04T00:00:00", "1969-12-31T23:59:59Z", "2100-03-01T00:00:00Z",
             "2026-05-04T24:00:00", "2026-05-04T08:00:60", "20260504T080000", "2026-05-04T08:00",
             "2026-05-04T08:00:00.1234567", "2000-12-31T08:00:00.123Z ", "1972-02-29 00:00:00",
             "2026-05-04x08:00:00", "2026-05-04T08:00:00.", "1970-01-01T00:00:00+01:00"],
    "clock": ["{0}:{2:02d}:{2:02d}.{1:06d}", "{2}:{2}", "1:2:3", "0001:02:03.5", "12345:00:00",
              "1:002:3", "1:2:003", "::1", "1:2:", "0001:05", "1:2:3.", "99:99:99.9", "1:2:3:4"],
}  # fmt: skip
IDENTIFIERS = {
    "hex": ["{0:03X}", "0x{0:x}", "{0:X}x", "{0:X}h", "18FF50E5", "18FF50E5X", "0X7ff", "800",
            "1FFFFFFF", "20000000", "123456789", "", "x", "0x", "00x", "G", "7FF ", "0x 1", "-1"],
    "dec": ["{0}", "{0}x", "2048", "536870911", "536870912", "12345678901", "", "1h", "+5", "0291"],
}  # fmt: skip
PAYLOADS = {
    "hex": ["{0}", "{1}", "{2}", "FF-80", "ff:80,".rstrip(","), "0x01 0x02", "1 2 3", "F", "FFF",
            "01  02", "01 0203", "-01", "01-", "RTR", "r", "0102030405060708AA", "00" * 12,
            "00" * 13, "00" * 64, "00" * 65, "GG", "01.02", "01_02", "01 02-03"],
    "dec": ["{3}", "1 2 256", "007 8", "1000", "1-2-3", "1  2", "", "a", "1 2 ", "255", "-1"],
    "base64": ["{4}", "", "AA==", "AB==", "AAA=", "AAB=", "A===", "AAA", "AA=A", "A*A=", "=AAA",
               "AAAAAAAAAAAAAAAAAAAA", "AA==AAAA", "AAAA AAA="],
}  # fmt: skip
FLAGS = ["0", "1", "true", "FALSE", "", "x", "ext", "Standard", "maybe", "11", "29-bit", " no "]
LENGTHS = ["{0}", "8", "0", "9", "15", "64", "", "-1", "1.0", "00008", "a", "+2"]
WAYS = ["Rx", "Tx", "sent", "", "transmitted", "OUT"]
BUSES = ["1", "2", "can0", "", "007", "1234567", "PACK", "x" * 70, "Ä"]


ODD = 0.06
"""How often a cell takes another than its usual forms."""


def cell(forms: list[str], rng: np.random.Generator, usual: int = 1) -> str:
    """Most often one of the usual forms, which come first."""
    form = forms[rng.integers(len(forms) if rng.random() < ODD else usual)]
    if forms in PAYLOADS.values():
        raw = rng.integers(0, 256, rng.integers(0, 9), np.uint8).tobytes()
        plain = raw.hex().upper(), raw.hex(" "), raw.hex(":")
        return form.format(*plain, " ".join(map(str, raw)), base64.b64encode(raw).decode())
    return form.format(int(rng.integers(0, 2000)), int(rng.integers(0, 999)), int(rng.integers(60)))


def table(
    rng: np.random.Generator, time: str, base: str, data: str, apart: bool
) -> tuple[str, str]:
    """A file with odd lines, and what is told of its columns."""
    separator = ";" if apart or time == "number" else "|"
    if data == "base64":
        separator = ","
    rows = []
    for _ in range(60):
        cells = [cell(TIMES[time], rng), cell(IDENTIFIERS[base], rng)]
        if data == "base64":
            cells += [cell(FLAGS, rng, 2), "0", cell(FLAGS, rng)]
            payload = cell(PAYLOADS[data], rng)
            size = str(len(payload) * 3 // 4 - payload.count("="))
            cells += [cell([size, *LENGTHS], rng), payload]
        else:
            cells += [cell(BUSES, rng, 3), cell(FLAGS, rng, 5), cell(WAYS, rng, 4)]
            if apart:
                count = int(rng.integers(0, 9))
                digits = "{:X}" if data == "hex" else "{}"
                cells += [cell([str(count), *LENGTHS], rng)]
                cells += [
                    cell([digits.format(b), "", "100", "G", "256"], rng)
                    for b in rng.integers(0, 256, count)
                ]
                cells += [""] * int(rng.integers(0, 9 - count))
            else:
                cells += [cell(PAYLOADS[data], rng, 3 if data == "hex" else 1)]
        if rng.random() < 0.1:
            at = int(rng.integers(len(cells)))
            cells[at] = f'"{cells[at]}"' if rng.random() < 0.7 else f' "{cells[at]}'
        line = separator.join(cells)
        odd = rng.random()
        if odd < 0.06:
            line = ["", "# a remark", line[: len(line) // 2], line + separator + "more", " ;,| ",
                    line + "\x00", line + "\r", "\t"][rng.integers(8)]  # fmt: skip
        rows.append(line)
    if data == "base64":
        return "\n".join(["timestamp,arbitration_id,extended,remote,error,dlc,data", *rows, ""]), ""
    last = "D0..D7" if apart else "data"
    names = ["time", "id", "bus", "ext", "dir"]
    names += ["len", *(f"D{i}" for i in range(8))] if apart else ["data"]
    told = f"time=time:ms,id=id:{base},bus=bus,extended=ext,direction=dir,data={last}:{data}"
    told = told.replace(":ms", "" if time != "number" else ":ms") + (",length=len" if apart else "")
    return "\n".join([separator.join(names), *rows, ""]), told


def read(path: Path, told: str) -> tuple[Chunk, list[str], Tally]:
    tally, names = Tally("a.csv"), ChannelNames()
    chunks = list(tablelog.table_chunks(path, tally, names, columns=told))
    return joined([NOTHING, *chunks]), names.names, tally


LAYOUTS = [
    (time, base, data, apart)
    for time in TIMES
    for base in IDENTIFIERS
    for data, apart in (("hex", False), ("dec", False), ("hex", True), ("dec", True))
] + [("number", "hex", "base64", False)]


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_what_the_kernel_reads_is_what_careful_reading_gives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ends: str
) -> None:
    rng = np.random.default_rng(len(ends))
    path = tmp_path / "a.csv"
    counted: list[int] = []
    parse = tablelog._parse

    def counting(*given: object) -> tablelog._Parsed:
        found = parse(*given)  # type: ignore[arg-type]
        counted.append(len(found.columns))
        return found

    monkeypatch.setattr(tablelog, "_parse", counting)
    whole = 0
    for layout in LAYOUTS:
        text, told = table(rng, *layout)
        path.write_text(text.replace("\n", ends), "utf-8", newline="")
        monkeypatch.setattr(tablelog, "FEW", 0)
        one, channels, tally = read(path, told)
        monkeypatch.setattr(tablelog, "FEW", 60_000)
        two, careful_channels, careful_tally = read(path, told)
        for name in Chunk.COLUMNS:
            a, b = getattr(one, name), getattr(two, name)
            if name == "network":
                a, b = np.array(channels)[a], np.array(careful_channels)[b]
            assert np.array_equal(a, b), (layout, name)
        assert tally == careful_tally, layout
        whole += len(one)
    assert sum(counted) > 0.7 * whole > 0, "most frames are the kernel's"
