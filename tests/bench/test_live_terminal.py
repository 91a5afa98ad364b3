"""A live bench test in a real terminal of 80 by 24: what the tester sees while it runs."""

import os
import re
import threading
from pathlib import Path

import can
from support.terminal import Terminal, busplan_command

from busplan.live.playing import GROUP

DBC = """VERSION ""
BU_: UNIT
BO_ 291 Slow: 2 UNIT
 SG_ Warmth : 0|16@1+ (1,0) [0|900] "" UNIT
BO_ 292 Quick: 2 UNIT
 SG_ Volts : 0|16@1+ (0.1,0) [0|90] "V" UNIT
"""
MANY = "".join(f"BO_ {n} Other{n}: 1 UNIT\n" for n in range(0x200, 0x214))
CYCLES = 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;\n' + "".join(
    f'BA_ "GenMsgCycleTime" BO_ {n} 50;\n' for n in (291, 292, *range(0x200, 0x214))
)


def test_the_table_comes_soon_helps_when_nothing_does_and_tells_what_is_wrong(
    tmp_path: Path,
) -> None:
    port = 44_300 + os.getpid() % 500
    dbc = tmp_path / "unit.dbc"
    dbc.write_text(DBC + MANY + CYCLES, encoding="ascii")
    over = threading.Event()

    def send() -> None:
        with can.Bus(interface="udp_multicast", channel=GROUP, port=port, hop_limit=0) as bus:
            while not over.wait(0.05):
                for number, data in ((291, b"\x01\x02"), (292, b"\x01")):
                    bus.send(can.Message(arbitration_id=number, is_extended_id=False, data=data))

    call = busplan_command(
        *("bench", "UNIT", "--part", str(dbc), "--seconds", "90", "--power-on", "0.2"),
        *("-i", f"udp_multicast:{GROUP},port={port},hop_limit=0", "--record", str(tmp_path)),
    )
    environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
    sender = threading.Thread(target=send)
    with Terminal(call, 80, 24, {**environment, "TERM": "xterm-256color"}) as terminal:
        seen = terminal.wait_for(r"UNIT: \d+ s, \d+ s left[^$]+Ctrl-C ends the test")
        assert re.search(r"Slow +│ 0x123 +│ +0 │ +- │ waiting", seen)
        assert "Switch UNIT on NOW." in seen
        assert "0 frames written, 0 errors" in seen, "all of the table fits"
        assert "and 10 more" in seen
        assert b"\x07" in terminal.received, "a bell at the prompt"
        terminal.wait_for("--wiring says what other readings mean")
        seen = terminal.wait_for(r"nothing heard in \d+ s[^$]+and 21 more[^$]+Ctrl-C")
        assert "60 Ω (50 to 65 Ω)" in seen, "all of the help is beside the table"
        sender.start()
        terminal.wait_for(r"Quick +│ 0x124 +│ +\d+ │ +[\d.]+ │ ! wrong: payload-short")
        terminal.press("ctrl+c")
        code = terminal.wait_for_end(60)
        over.set()
        sender.join()
    assert code == 2
    assert "UNIT: fail: it differs from its definition" in terminal.text, "the last line"
