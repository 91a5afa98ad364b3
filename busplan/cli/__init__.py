"""The command line: thin commands over what the other rooms compute.

One module a command; each offers ``register(app)``. Heavy imports happen inside the command
functions, so that ``busplan --help`` stays fast. Data goes to stdout, narration to stderr.
"""

from __future__ import annotations


def run() -> None:
    """Entry point of the console script: run a command, turn our errors into exit code 3."""
    from busplan.cli.app import main
    from busplan.cli.ending import end

    try:
        main()
    except SystemExit as ended:
        end(ended.code if isinstance(ended.code, int) else 0)
