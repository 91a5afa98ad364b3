"""One topic of the judgement: its answer, one sentence, and what is missing where nothing is shown.

Every judge of the pack makes its own section from its own result; ``sections.py`` only collects.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from busplan.answers import Answer

Answers = tuple[Answer, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """One topic in one sentence, with its answer and those of the single cells and modules.

    ``missing`` completes "not shown:": what is missing, and how long or which test would show it;
    ``""`` where all was shown. ``cells`` and ``modules`` hold an answer for each of the layout's,
    in its order; ``()`` where the topic says nothing of single ones. ``lacks`` is what a headline
    names as not shown, the topic itself where it is ``()``. ``again`` says that the same test, run
    again as it should be, shows what is missing; else ``missing`` says what does.
    """

    name: str
    answer: Answer
    text: str
    missing: str = ""
    cells: Answers = ()
    modules: Answers = ()
    lacks: tuple[str, ...] = ()
    again: bool = True

    @property
    def lead(self) -> str:
        """What stands before the sentence: the answer's mark and the topic, in one width."""
        return f"{self.answer.mark} {self.name:<19} "

    @property
    def open(self) -> bool:
        """Whether any of it was not shown, even if the rest was bad."""
        return self.answer is Answer.NOT_SHOWN or bool(self.missing)

    @property
    def words(self) -> str:
        """The sentence, and after it what is missing."""
        if not self.missing:
            return self.text
        return f"{self.text}; {self.missing}" if self.text else self.missing


def not_shown(name: str, text: str, missing: str = "", *, again: bool = True) -> Section:
    """A topic of which this capture shows nothing."""
    return Section(name, Answer.NOT_SHOWN, text, missing, again=again)


def answers_of(count: int, bad: Iterable[int], shown: Sequence[bool] | Iterable[bool]) -> Answers:
    """Bad where named, good where ``shown`` (count,), else not shown."""
    named = set(bad)
    return tuple(
        Answer.BAD if i in named else Answer.GOOD if seen else Answer.NOT_SHOWN
        for i, seen in zip(range(count), shown, strict=True)
    )
