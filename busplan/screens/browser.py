"""The same screens in a browser on this machine."""

from __future__ import annotations

import shlex
import socket
import sys
from collections.abc import Sequence

from busplan.errors import UsageError

HOST = "127.0.0.1"
"""Loopback only: whoever reaches the port can use the screens, there is no login."""


def served_command(arguments: Sequence[str]) -> str:
    """The command line that runs the screens for one browser page."""
    rest: list[str] = []
    skip = False
    for argument in arguments:
        if skip:
            skip = False
        elif argument == "--port":
            skip = True
        elif argument != "--browser" and not argument.startswith("--port="):
            rest.append(argument)
    return shlex.join([sys.executable, "-m", "busplan", *rest])


def serve(arguments: Sequence[str], port: int) -> None:
    """Serve ``busplan`` with these arguments until interrupted; each page is a run of its own."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise UsageError(f"port {port} is taken ({error.strerror}); choose --port") from error
    from textual_serve.server import Server

    print(f"open http://{HOST}:{port} in a browser on this machine; Ctrl-C ends", file=sys.stderr)  # noqa: T201
    Server(served_command(arguments), host=HOST, port=port, title="busplan").serve()
