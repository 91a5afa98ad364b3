"""Tab in a shell: commands, options, codes and pages, by the protocol that the script uses."""

import pytest
from support.command import busplan


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("busplan che", {"check"}),
        ("busplan check --bri", {"--brief"}),
        ("busplan explain identifier-c", {"identifier-clash"}),
        ("busplan manual heat", {"heat-gun"}),
        ("busplan replay dri", set()),  # the shell itself offers files
    ],
)
def test_a_shell_is_offered_what_fits(
    monkeypatch: pytest.MonkeyPatch, typed: str, offered: set[str]
) -> None:
    monkeypatch.setenv("_BUSPLAN_COMPLETE", "complete_bash")
    monkeypatch.setenv("COMP_WORDS", typed)
    monkeypatch.setenv("COMP_CWORD", str(len(typed.split()) - 1))
    shown = busplan()
    assert shown.code == 0
    assert set(shown.out.split()) == offered


def test_the_script_for_the_shell_names_this_command() -> None:
    script = busplan("--show-completion", "bash")
    assert "complete -o default -F _busplan_completion busplan" in script.out
