"""The manual as a screen: the list of pages, a page with its links, and a search over all."""

from __future__ import annotations

import os
import re
import webbrowser
from typing import ClassVar

from textual import events, on
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Footer, Input, Markdown, OptionList
from textual.widgets.option_list import Option

from busplan.manual.book import Book, Hit, Place
from busplan.screens import look
from busplan.wording import disarmed

NARROW = 100
"""Below so many columns list and page take turns."""


class Reader(Markdown):
    """A page. Links to other pages are opened here, others in a browser."""

    can_focus = True
    DEFAULT_CSS = """
    Reader {
        width: 1fr; max-width: 100; height: 1fr; overflow-y: auto; padding: 0 1;
        scrollbar-size-vertical: 1;
    }
    Reader MarkdownFence > Label { padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,k", "scroll_up", show=False),
        Binding("down,j", "scroll_down", show=False),
        Binding("pageup", "page_up", show=False),
        Binding("pagedown,space", "page_down", show=False),
        Binding("home", "scroll_home", show=False),
        Binding("end", "scroll_end", show=False),
    ]


class ManualApp(App[None]):
    """Reads a book. Begins at a place, or with what a search for ``words`` finds."""

    CSS = """
    #left { width: 34; }
    #list {
        height: 1fr; border: none; padding: 0; scrollbar-size-vertical: 1;
        text-wrap: nowrap; text-overflow: ellipsis;
    }
    #list > .option-list--option-disabled { color: $primary; text-style: bold; }
    #words > .input--placeholder { color: $foreground 80%; }
    #words { border: none; height: 1; padding: 0 1; background: $panel; }
    .narrow #left { width: 1fr; }
    .narrow.reading #left, .narrow.listing Reader { display: none; }
    /* What commands print is 80 columns wide, and so are many terminals. */
    .narrow Reader { padding: 0; scrollbar-size-vertical: 0; }
    .narrow Reader MarkdownFence > Label { padding: 0; }
    """
    HORIZONTAL_BREAKPOINTS = [(0, "narrow"), (NARROW, "wide")]  # noqa: RUF012 (as App has it)
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("slash", "search", "Search"),
        Binding("backspace,left_square_bracket", "back", "Back"),
        Binding("l,escape", "contents", "List"),
        Binding("tab", "turn", "List or page", priority=True),
        Binding("d", "theme", "Dark or light"),
        Binding("q", "quit", "Quit"),
    ]
    ENABLE_COMMAND_PALETTE = False

    def __init__(self, book: Book, place: Place | None = None, words: str = "") -> None:
        super().__init__(ansi_color=True if os.environ.get("NO_COLOR") else None)
        for theme in look.THEMES:
            self.register_theme(theme)
        self.theme = look.INK
        self.title = "busplan manual"
        self.book = book
        self.at = place or Place(next(iter(book.pages.values())))
        self._asked = "" if place else words
        self._reading = place is not None
        self._before: list[Place] = []

    def compose(self) -> ComposeResult:
        """List and search at the left, the page at the right."""
        with Horizontal():
            with Vertical(id="left"):
                yield Input(value=self._asked, placeholder="/ search", id="words")
                yield OptionList(id="list")
            yield Reader(open_links=False)
        yield Footer()

    async def on_mount(self) -> None:
        """Open where it was asked to."""
        self._fill(self._asked)
        await self._show(self.at)
        self._focus(reading=self._reading)

    async def _show(self, place: Place) -> None:
        reader = self.query_one(Reader)
        await reader.update(disarmed_page(place.page.text))
        self.at = place
        if place.anchor:
            self.call_after_refresh(reader.goto_anchor, place.anchor)
        else:
            reader.scroll_home(animate=False)
        listed = self.query_one("#list", OptionList)
        known = [o.id for o in listed.options]
        if place.page.name in known:
            listed.highlighted = known.index(place.page.name)

    def _fill(self, words: str) -> None:
        listed = self.query_one("#list", OptionList)
        listed.clear_options()
        if words.strip():
            hits = self.book.search(words.split())
            listed.add_options([Option(_told(hit, self.book), id=hit.link) for hit in _once(hits)])
            if not hits:
                listed.add_option(Option("no page says that", disabled=True))
            return
        for group, pages in self.book.groups():
            listed.add_option(Option(group, disabled=True))
            listed.add_options([Option(f" {page.title}", id=page.name) for page in pages])

    def _focus(self, *, reading: bool) -> None:
        self.screen.set_class(reading, "reading")
        self.screen.set_class(not reading, "listing")
        self.query_one(Reader if reading else OptionList).focus()

    @on(Input.Changed, "#words")
    def _searched(self, message: Input.Changed) -> None:
        self._fill(message.value)

    @on(Input.Submitted, "#words")
    async def _found(self) -> None:
        hits = self.book.search(self.query_one("#words", Input).value.split())
        if hits:
            await self._go(hits[0].link)

    def on_key(self, event: events.Key) -> None:
        """From the words down into what was found."""
        if event.key == "down" and self.query_one("#words", Input).has_focus:
            listed = self.query_one(OptionList)
            listed.focus()
            listed.action_first()
            event.stop()

    @on(OptionList.OptionSelected)
    async def _chosen(self, message: OptionList.OptionSelected) -> None:
        await self._go(message.option.id or "")

    @on(Markdown.LinkClicked)
    async def _followed(self, message: Markdown.LinkClicked) -> None:
        target = message.href
        if target.startswith("#"):
            target = self.at.page.name + target
        if target.startswith(("http://", "https://")):
            webbrowser.open(target)
        else:
            await self._go(target.replace(".md", ""))

    async def _go(self, target: str) -> None:
        place = self.book.place(target)
        if place is None:
            self.bell()
            return
        self._before.append(self.at)
        await self._show(place)
        self._focus(reading=True)

    async def action_back(self) -> None:
        """The page before."""
        if self._before:
            await self._show(self._before.pop())
            self._focus(reading=True)
        else:
            self._focus(reading=False)

    def action_search(self) -> None:
        """To the words to search for."""
        self._focus(reading=False)
        self.query_one("#words", Input).focus()

    def action_contents(self) -> None:
        """The list of all pages."""
        self.query_one("#words", Input).value = ""
        self._focus(reading=False)

    def action_turn(self) -> None:
        """From list to page and back."""
        self._focus(reading=not self.screen.has_class("reading"))

    def action_theme(self) -> None:
        """Dark or light."""
        self.theme = look.PAPER if self.theme == look.INK else look.INK


def disarmed_page(markdown: str) -> str:
    """The page, line by line as text that steers nothing; of fences the language alone."""
    plain = re.sub(r"^```(\w+) .*$", r"```\1", markdown, flags=re.MULTILINE)
    return "\n".join(map(disarmed, plain.splitlines()))


def _once(hits: list[Hit]) -> list[Hit]:
    return list({hit.link: hit for hit in hits}.values())


def _told(hit: Hit, book: Book) -> str:
    title = book.pages[hit.section.page].title
    return title if hit.section.level == 1 else f"{hit.section.heading} ({title})"
