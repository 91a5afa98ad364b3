"""One invented node as a process: ``python -m support.node_process KIND PORT SECONDS``."""

from __future__ import annotations

import signal
import subprocess
import sys
import time

import can

from busplan.frames.kinds import BRS, EXTENDED, FD
from busplan.live.listening import Guide
from busplan.live.playing import GROUP
from busplan.live.recording_status import RecordingStatus
from support.bench_nodes import Row
from support.live_nodes import ALL


class Starter(Guide):
    """Waits until a node's process is ready, and has it begin once somebody listens."""

    def __init__(self, node: subprocess.Popen[bytes]) -> None:
        self._node = node
        assert node.stdout is not None
        assert node.stdout.readline() == b"ready\n"
        self._begun = False

    def listening(self, status: RecordingStatus) -> None:
        if not self._begun and self._node.stdin is not None:
            self._begun = True
            self._node.stdin.write(b"\n")
            self._node.stdin.flush()


def lateness_ms(node: subprocess.Popen[bytes]) -> float:
    """End the node's process; by how much its frames went out late at worst [ms]."""
    node.terminate()
    told, _ = node.communicate(timeout=60)  # a busy machine is slow to end it
    return float(told.split()[-1])


def main(name: str, port: int, seconds: float) -> None:
    """Send what the node sends, each frame at its time, and answer what it is asked."""
    node = ALL[name]
    rows = node.rows(seconds)
    sys.stdout.buffer.write(b"ready\n")
    sys.stdout.flush()
    sys.stdin.readline()  # whoever listens says when it does
    worst = 0.0

    def end(*_: object) -> None:
        print(f"{worst * 1e3:.1f}", flush=True)
        sys.exit()

    signal.signal(signal.SIGTERM, end)
    with can.Bus(interface="udp_multicast", channel=GROUP, port=port, hop_limit=0) as bus:
        begin = time.monotonic()
        at = 0
        while time.monotonic() - begin < seconds:
            due = rows[at].time_ns / 1e9 if at < len(rows) else seconds
            left = due - (time.monotonic() - begin)
            if left > 0:
                heard = bus.recv(min(left, 0.01)) if node.answers else None
                if heard is None and not node.answers:
                    time.sleep(left)
                if heard is not None:
                    asked = heard.arbitration_id, bytes(heard.data)
                    for identifier, data in node.answers.get(asked, ()):
                        flags = EXTENDED * (identifier > 0x7FF)
                        bus.send(_message(Row(0, identifier, flags, data)))
                continue
            worst = max(worst, -left)
            row = rows[at]
            at += 1
            bus.send(_message(row))
    end()  # nobody ended it: the listener may still be judging


def _message(row: Row) -> can.Message:
    return can.Message(
        arbitration_id=row.identifier,
        is_extended_id=bool(row.flags & EXTENDED),
        is_fd=bool(row.flags & FD),
        bitrate_switch=bool(row.flags & BRS),
        data=row.data,
    )


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), float(sys.argv[3]))
