"""How a screen of the replay is printed, for every command that has screens."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from busplan.replay.asked import Asked


def has_screen() -> bool:
    """Whether a terminal or a browser is there to show screens."""
    # The browser's server names the driver it wants of the program it starts.
    served = "TEXTUAL_DRIVER" in os.environ
    return served or (sys.stdout.isatty() and sys.stdin.isatty())


def print_screen(asked: Asked, screen: str, *, as_json: bool, **more: Any) -> None:
    """Print one screen at one moment as text, or its facts as JSON with ``more`` beside them.

    Pack and behaviours are judged where the screen shows what that finds.
    """
    from busplan.cli.output import print_json, say, text_width
    from busplan.replay.asked import judged

    asked = judged(asked, screen)
    if screen == "board" and asked.board is None:
        from busplan.board.facts import facts_of

        asked = replace(asked, board=facts_of(asked))
    if as_json:
        from busplan.replay.document import screen_dict

        print_json(screen_dict(asked, screen) | more)
        return
    from busplan.text.printed import screen_text

    say(*screen_text(asked, screen, max(80, text_width())))
