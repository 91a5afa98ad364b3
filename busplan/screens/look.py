"""How roles look: on dark, on light and without colour.

Blue, yellow and vermillion of the Okabe-Ito palette stay apart for colour-blind eyes; each is
joined by a mark or a word, so that the screens also work in one colour.
"""

from __future__ import annotations

from rich.style import Style
from textual.theme import Theme

BLUE, YELLOW, VERMILLION = "#56B4E9", "#F0E442", "#D55E00"
DEEP_BLUE, OCHRE = "#005A8C", "#695600"
FLAME, RUST = "#FF8A4C", "#9A3C00"
"""Vermillion as text, light enough on dark and dark enough on light."""

INK, PAPER = "busplan-ink", "busplan-paper"

THEMES = (
    Theme(
        name=INK,
        primary=BLUE,
        secondary="#7FA3A8",
        accent=YELLOW,
        warning=YELLOW,
        error=VERMILLION,
        success=BLUE,
        foreground="#DCE5E3",
        background="#0F1B20",
        surface="#14242A",
        panel="#1B3038",
        dark=True,
    ),
    Theme(
        name=PAPER,
        primary=DEEP_BLUE,
        secondary="#5B6F73",
        accent=OCHRE,
        warning=OCHRE,
        error="#B34700",
        success=DEEP_BLUE,
        foreground="#20292B",
        background="#F7F3E8",
        surface="#EFE9DA",
        panel="#E2DAC6",
        dark=False,
    ),
)

_DIAL = {
    "dial-rest": ("#3A4F57", "#C9BFA6", "dim"),
    "dial-calm": ("#8FB3BA", "#3F6A72", ""),
    "dial-mark": ("#FFFFFF", "#000000", "bold"),
    "dial-caution": ("#8F8540", "#C9B44A", "dim"),
    "dial-fault": ("#6E2F12", "#CF8A62", "dim"),
    "dial-caution-lit": (YELLOW, "#B59A00", ""),
    "dial-fault-lit": (FLAME, "#B34700", ""),
}


def _on_dials() -> dict[str, tuple[str, str, str]]:
    """Roles of the arcs of dials, and the same as the ground of another one."""
    grounds = {
        f"{name}-ground": (f"on {dark}", f"on {light}", "")
        for name, (dark, light, _) in _DIAL.items()
    }
    return {**_DIAL, **grounds}


# role: (on dark, on light, without colour)
_ROLES: dict[str, tuple[str, str, str]] = {
    "plain": ("", "", ""),
    "faint": ("#9DB1B4", "#585F59", "dim"),
    "head": ("bold #9CC3C9", "bold #35565B", "bold"),
    "strong": ("bold", "bold", "bold"),
    "title": ("bold #0F1B20 on #9CC3C9", "bold #F7F3E8 on #35565B", "reverse bold"),
    "title-dim": ("#C7DADC on #1B3038", "#35565B on #E2DAC6", ""),
    "missing": ("#9DB1B4", "#585F59", "dim"),
    "stale": ("italic #9DB1B4", "italic #585F59", "italic dim"),
    "far-low": (f"bold #0F1B20 on {BLUE}", f"bold #0F1B20 on {BLUE}", "reverse"),
    "low": (BLUE, DEEP_BLUE, ""),
    "high": (YELLOW, OCHRE, ""),
    "far-high": (f"bold #0F1B20 on {YELLOW}", f"bold #0F1B20 on {YELLOW}", "reverse"),
    "outside": (f"bold #0F1B20 on {VERMILLION}", f"bold #FFFFFF on {RUST}", "reverse bold"),
    "bar": (BLUE, DEEP_BLUE, ""),
    "near": (YELLOW, OCHRE, ""),
    "over": (f"bold {FLAME}", f"bold {RUST}", "bold"),
    "limit": ("bold #DCE5E3", "bold #20292B", "bold"),
    "limit-in": ("bold #DCE5E3 on #2C6A88", "bold #F7F3E8 on #2C6A88", "reverse"),
    "note": ("#9CC3C9", "#35565B", ""),
    "caution": (f"bold {YELLOW}", f"bold {OCHRE}", "bold"),
    "fault": (f"bold {FLAME}", f"bold {RUST}", "bold underline"),
    "changed": ("bold #FFFFFF", "bold #000000", "bold"),
    "chosen": ("bold #0F1B20 on #DCE5E3", "bold #F7F3E8 on #20292B", "reverse bold"),
    "chosen-row": ("on #1F3943", "on #E3D9BF", "underline"),
    "span": ("on #1F3943", "on #E3D9BF", "underline"),
    "head-mark": ("bold #0F1B20 on #DCE5E3", "bold #F7F3E8 on #20292B", "reverse bold"),
    "good": (f"bold {BLUE}", f"bold {DEEP_BLUE}", "bold"),
    "danger": ("#E5B48F", "#8A3A00", ""),
    "trace": ("bold #7FD1F5", "bold #00567F", "bold"),
    "trace-2": ("#F4F4F4", "#20292B", ""),
    "trace-3": ("#CC8DB6", "#7C10A8", ""),
    "trace-4": ("#8FAF3E", "#4C5E14", ""),
    "trace-ground": ("#0F1B20 on #7FD1F5", "#F7F3E8 on #00567F", "reverse"),
    "trace-2-ground": ("#0F1B20 on #F4F4F4", "#F7F3E8 on #20292B", "reverse"),
    "trace-3-ground": ("#0F1B20 on #CC8DB6", "#FFFFFF on #7C10A8", "reverse"),
    "trace-4-ground": ("#0F1B20 on #8FAF3E", "#F7F3E8 on #4C5E14", "reverse"),
    "grid": ("#3A4F57", "#C9BFA6", ""),
    "hatch": ("#6E858B", "#857B63", "dim"),
    "zone-caution": ("on #33311A", "on #F1E7B4", ""),
    "zone-fault": ("on #45200F", "on #F3D3BF", ""),
    "zone-caution-lit": ("on #5C5310", "on #EAD755", ""),
    "zone-fault-lit": ("on #8A3A0C", "on #EFA679", ""),
    "limit-caution": ("#9A8F45", "#7A6D1F", ""),
    "limit-fault": ("#A85B38", "#A35A33", ""),
    "limit-caution-lit": (f"bold {YELLOW}", f"bold {OCHRE}", "bold"),
    "limit-fault-lit": (f"bold {FLAME}", f"bold {RUST}", "bold"),
    "lane-1": ("on #3A4F57", "on #DDD3BB", ""),
    "lane-2": ("on #2C5F7C", "on #C3D2D6", "reverse"),
    "lane-name": ("bold #FFFFFF", "bold #20292B", "bold"),
    "plate-caution": (f"bold #0B1418 on {YELLOW}", "bold #0B1418 on #DDBE00", "reverse bold"),
    "plate-fault": (f"bold #0B1418 on {VERMILLION}", "bold #FFFFFF on #A34000", "reverse bold"),
    "tile": ("on #14242A", "on #EFE9DA", ""),
    "tile-head": ("on #1E3640", "on #DDD4BD", ""),
    "title-text": ("bold #9CC3C9", "bold #2F4E53", "bold"),
    "tile-red": ("on #3B1A0C", "on #F3D3BF", ""),
    "head-fault": ("bold #FFFFFF on #000000", "bold #FFFFFF on #3A1500", "bold"),
    "head-white": ("bold #0B1418 on #FFFFFF", "bold #FFFFFF on #000000", "bold underline"),
    "figure": ("#DCE5E3", "#20292B", "bold"),
    "bar-calm": ("#8FB3BA", "#3F6A72", ""),
    "bar-rest": ("on #23404B", "on #DDD4BD", ""),
    "bar-caution": (YELLOW, "#8A7400", ""),
    "bar-fault": (FLAME, RUST, ""),
    "bar-limit": ("#DCE5E3", "#20292B", "bold"),
    "bar-limit-in": ("bold #0B1418 on #8FB3BA", "bold #FFFFFF on #3F6A72", "reverse"),
    "map-even": ("on #1D3540", "on #E2DAC6", ""),
    "map-low": ("#0B1418 on #4A93C0", "#0B1418 on #9CC6DE", "reverse"),
    "map-far-low": (f"bold #0B1418 on {BLUE}", f"bold #0B1418 on {BLUE}", "reverse bold"),
    "map-high": ("#0B1418 on #C4B030", "#0B1418 on #DCCB62", "reverse"),
    "map-far-high": (f"bold #0B1418 on {YELLOW}", "bold #0B1418 on #DDBE00", "reverse bold"),
    "map-outside": ("bold #FFFFFF on #B23600", "bold #FFFFFF on #A33100", "reverse bold underline"),
    "map-text": ("#93A8AC", "#585F59", ""),
    **_on_dials(),
    "band": ("#57838E", "#857B63", "dim"),
}


def style(role: str, dark: bool, colour: bool, base: Style) -> Style:
    """The style of a role over the ``base`` style; ``a+b`` lays role ``b`` over role ``a``."""
    found = _STYLES.get((role, dark, colour, base))
    if found is None:
        found = base
        for name in role.split("+"):
            on_dark, on_light, plain = _ROLES[name]
            found += Style.parse((on_dark if dark else on_light) if colour else plain)
        _STYLES[role, dark, colour, base] = found
    return found


_STYLES: dict[tuple[str, bool, bool, Style], Style] = {}
