"""Colours that can be read, and nothing that is told by colour alone."""

import pytest
from rich.style import Style
from textual.theme import Theme

from busplan.findings import Weight
from busplan.replay.pack_state import Grade
from busplan.screens import look
from busplan.text.grades import OF_GRADE
from busplan.text.runs import OF_WEIGHT

DRAWN = ("band", "hatch", "limit-caution", "limit-fault", "bar-calm", "bar-caution", "bar-fault")
"""Shades, lines and bars that are no text."""
ADORNED = ("grid", *look._DIAL, *(f"{name}-ground" for name in look._DIAL))
"""What needs no contrast of its own: fine lines at times that are written below them, arcs of dials
whose value stands inside."""


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, W3C WCAG 2.2, definitions of contrast ratio and luminance."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        red, green, blue = (
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_formula_agrees_with_known_ratios() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#777777", "#FFFFFF") == pytest.approx(4.48, abs=0.01)  # from memory


@pytest.mark.parametrize("theme", look.THEMES, ids=lambda t: t.name)
def test_text_has_the_contrast_that_wcag_asks_for(theme: Theme) -> None:
    """At least 4.5 for text (success criterion 1.4.3), 3 for what is drawn (1.4.11)."""
    row = look.style("chosen-row", theme.dark, True, Style()).bgcolor
    assert row is not None
    grounds = [theme.background, theme.surface, row.get_truecolor().hex]
    for role in sorted(look._ROLES.keys() - set(ADORNED)):
        style = look.style(role, theme.dark, True, Style())
        text = style.color.get_truecolor().hex if style.color else theme.foreground
        under = [style.bgcolor.get_truecolor().hex] if style.bgcolor else grounds
        least = 3.0 if role in DRAWN else 4.5
        for ground in under[:2] if role in DRAWN else under:
            assert text
            assert ground
            assert contrast(text, ground) >= least, (role, text, ground)


def test_every_state_has_a_mark_or_a_style_without_colour() -> None:
    assert len({grade.mark for grade in Grade}) == len(Grade)
    assert len({weight.mark for weight in Weight}) == len(Weight)
    for role in (*OF_GRADE.values(), *OF_WEIGHT.values()):
        assert look.style(role, True, False, Style()).color is None
