"""``busplan frame`` as its users see it."""

import json

import pytest
from typer.testing import CliRunner

from busplan.cli.app import app
from busplan.errors import UsageError


def drawn(*arguments):
    result = CliRunner().invoke(app, ["frame", *arguments], catch_exceptions=False)
    assert result.exit_code == 0
    return result.stdout


def test_the_published_frame_is_drawn_field_by_field():
    # Identifier 0x014, data 01, CRC 0x7753, 58 bits with 3 stuff bits: two public test suites.
    assert drawn("0x014", "01") == (
        "0x014  classical frame, 1 byte\n"
        " bit       µs  field           bits                          value\n"
        "   0     0.00  SOF             0\n"
        "   1     2.00  identifier      000 0[1]001 0100              0x014\n"
        "  13    26.00  RTR             0\n"
        "  14    28.00  IDE             0\n"
        "  15    30.00  r0              0[1]\n"
        "  17    34.00  DLC             0001                          1\n"
        "  21    42.00  data 0          0000 0[1]001                  0x01\n"
        "  30    60.00  CRC             111 0111 0101 0011            0x7753\n"
        "  45    90.00  CRC delimiter   1\n"
        "  46    92.00  ACK             0\n"
        "  47    94.00  ACK delimiter   1\n"
        "  48    96.00  EOF             111 1111\n"
        "  55   110.00  intermission    111\n"
        "  58   116.00  end\n"
        "[x] stuff bit   (x) fixed stuff bit   0 dominant   1 recessive\n"
        "58 bits, 3 of them stuff bits: 116.00 µs\n"
        "any such frame: 55 to at most 65 bits, 110.00 to 130.00 µs\n"
    )


def test_a_can_fd_frame_shows_both_bit_rates_and_fixed_stuff_bits():
    text = drawn("0x7AA", "55", "--brs")
    assert "-- 2000 kbit/s --\n  17    34.00  ESI " in text
    assert "(0)0000" in text
    assert "(1)0011(0)0000(1)0000(1)1000(1)0" in text
    assert "0x06010" in text
    assert "70 bits (29 + 41 at the data bit rate), 0 of them stuff bits: 78.50 µs" in text


def test_the_stuff_count_is_shown_as_a_number():
    text = drawn("0x000", "00" * 8, "--fd")
    stuff = int(text.split(" of them stuff bits")[0].split()[-1])
    assert stuff > 8
    assert f"{stuff % 8} modulo 8" in text


def test_an_error_frame_is_drawn_too():
    text = drawn("error")
    assert "error flag      00 0000" in text
    assert "17 to 23 bits" in text
    assert json.loads(drawn("error", "--json"))["bits"]["most"] == 23


def test_lines_fit_a_narrow_terminal():
    for arguments in (["0x18EBFF00", "0000000000000000"], ["0x5", "00" * 64, "--fd"]):
        assert max(map(len, drawn(*arguments).splitlines())) <= 80


def test_eight_digits_make_a_29_bit_identifier():
    assert drawn("0x00000123").startswith("0x00000123  classical frame, 0 bytes")
    assert "extension" in drawn("0x123", "--extended")


def test_json_tells_the_same():
    document = json.loads(drawn("0x014", "01", "--bit-rate", "125000", "--json"))
    assert document["bits"].startswith("00000100101000001")
    assert document["crc"] == "0x7753"
    assert document["stuff_bits"] == 3
    assert document["duration_us"] == 58 * 8
    fields = {f["name"]: f for f in document["fields"]}
    assert fields["identifier"] == {"name": "identifier", "bits": "000010010100", "stuff": [4]}
    assert "".join(f["bits"] for f in document["fields"]) == document["bits"]


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["0x800"], "does not fit in 11 bits .*--extended"),
        (["0x1", "00" * 9], "0 to 8 bytes, not 9 .*--fd"),
        (["0x1", "0"], "no payload"),
        (["speed"], "no identifier"),
        (["0x1", "00", "--remote"], "carries no payload"),
    ],
)
def test_impossible_frames_end_in_one_clear_error(arguments, text):
    with pytest.raises(UsageError, match=text):
        CliRunner().invoke(app, ["frame", *arguments], catch_exceptions=False)
