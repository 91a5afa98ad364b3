"""The user's own keys: what their file may say, and that they do what they are named for."""

from pathlib import Path

import pytest
from support.pilot import FakeNow
from support.van import make_replay

from busplan.errors import UsageError
from busplan.screens.app import ReplayApp
from busplan.screens.dialogs import HelpSheet
from busplan.screens.keys import read_keys
from busplan.screens.start import user_keys
from busplan.text.runs import text

KNOWN = ("time.toggle", "time.step_on", "app.quit")


def test_no_file_means_the_usual_keys(tmp_path: Path) -> None:
    assert read_keys(tmp_path / "keys.toml", KNOWN) == {}


def test_keys_are_read(tmp_path: Path) -> None:
    path = tmp_path / "keys.toml"
    path.write_text('"time.toggle" = "k"\n"app.quit" = "ctrl+x, f9, question_mark, +"\n')
    assert read_keys(path, KNOWN) == {
        "time.toggle": "k",
        "app.quit": "ctrl+x, f9, question_mark, +",
    }


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b'"time.toggle" = 5\n', r"keys\.toml.*time\.toggle"),
        (b"= 5\n", r"keys\.toml"),
        (b'"time.toggle" = "\xff"\n', r"keys\.toml.*utf-8"),
        (b'"time.togle" = "k"\n', r"nothing named 'time\.togle'; did you mean time\.toggle"),
        (b'zebra = "k"\n', "the help lists the names"),
        (b'"time.toggle" = "strg+k"\n', "'strg\\+k' is no key"),
        (b'"time.toggle" = "spacebar"\n', "'spacebar' is no key"),
        (b'"time.toggle" = ""\n', "'' is no key"),
    ],
)
def test_a_wrong_file_is_named_with_what_is_wrong(
    tmp_path: Path, content: bytes, told: str
) -> None:
    path = tmp_path / "keys.toml"
    path.write_bytes(content)
    with pytest.raises(UsageError, match=told):
        read_keys(path, KNOWN)


async def test_remapped_keys_do_what_they_are_named_for_and_stand_in_the_help(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    folder = tmp_path / "busplan"
    folder.mkdir()
    (folder / "keys.toml").write_text(
        '"time.toggle" = "k"\n"pack.down" = "j"\n"messages.pin" = "ctrl+p"\n"help.close" = "x"\n'
    )
    app = ReplayApp(make_replay(seconds=5), judge=None, keys=user_keys(), now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("space")
        assert not app.clock.playing
        await pilot.press("k")
        assert app.clock.playing
        await pilot.press("j")
        assert app.pack.sheet.chosen == ("cell", 0)
        await pilot.press("question_mark")
        await pilot.pause()
        lines = [text(line) for line in app.screen.query_one(HelpSheet).lines]
        assert any(line.split() == ["k", "Play", "or", "hold", "time.toggle"] for line in lines)
        await pilot.press("x")
        assert len(app.screen_stack) == 1


@pytest.mark.parametrize(
    ("line", "both"),
    [
        ('"time.toggle" = "q"', ("time.toggle", "app.quit")),
        ('"app.help" = "h, ["', ("time.back", "app.help")),
        ('"messages.filter" = "q"', ("app.quit", "messages.filter")),
    ],
)
def test_a_key_that_would_do_two_things_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line: str, both: tuple[str, str]
) -> None:
    monkeypatch.setattr("busplan.screens.start.keys_file", lambda: tmp_path / "keys.toml")
    (tmp_path / "keys.toml").write_text(line)
    with pytest.raises(UsageError, match="would do two things") as refused:
        user_keys()
    assert all(name in str(refused.value) for name in both)


def test_two_keys_may_change_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busplan.screens.start.keys_file", lambda: tmp_path / "keys.toml")
    (tmp_path / "keys.toml").write_text('"time.toggle" = "q"\n"app.quit" = "space"\n')
    assert user_keys() == {"time.toggle": "q", "app.quit": "space"}
