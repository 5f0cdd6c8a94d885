"""The screens that come up over the main one: mark, what-if, stop or leave, in full, help."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from monitor.dashboard.holding import UNTOUCHED
from monitor.dashboard.words import clean

__all__ = ["HoldLine", "MarkLine", "Reading", "StopOrLeave"]


class MarkLine(ModalScreen[str]):
    """One line at the bottom; Enter hands it back, Escape hands back nothing."""

    CSS = """
    MarkLine { align: center bottom; background: $background 0%; }
    MarkLine Vertical { height: 3; width: 100%; background: $surface; }
    MarkLine Input { border: none; height: 1; padding: 0 1; }
    MarkLine Static { height: 1; padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "leave it")]

    def compose(self) -> ComposeResult:
        """A heading, the line, and what may stand in it."""
        with Vertical():
            yield Static("Mark: what happened? [Enter] keeps it, [Esc] leaves it", markup=False)
            yield Input(placeholder="in your own words", max_length=500)
            known = "heat on, heat off, thump, sample taken, run ended, measured"
            yield Static(f"understood: {known}", markup=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Keep what was written; nothing written is no mark."""
        self.dismiss(clean(event.value).strip())

    def action_leave(self) -> None:
        """No mark."""
        self.dismiss("")


class HoldLine(ModalScreen[None]):
    """What if the hold were another one: the answer changes with what is typed; Escape closes."""

    CSS = """
    HoldLine { align: center bottom; background: $background 0%; }
    HoldLine Vertical { height: 5; width: 100%; background: $surface; }
    HoldLine Input { border: none; height: 1; padding: 0 1; }
    HoldLine Static { height: 1; padding: 0 1; }
    HoldLine #answer { text-style: bold; height: 2; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "back")]

    def __init__(self, answer: Callable[[str], str]) -> None:
        super().__init__()
        self._answer = answer

    def compose(self) -> ComposeResult:
        """A heading, the temperature, its answer, and what this is not."""
        with Vertical():
            yield Static("What if the pot were held at another °C? [Esc] goes back", markup=False)
            yield Input(placeholder="for example 215", max_length=12)
            yield Static(self._answer(""), id="answer", markup=False)
            yield Static(UNTOUCHED, markup=False)

    def on_input_changed(self, event: Input.Changed) -> None:
        """Answer as it is typed."""
        self.query_one("#answer", Static).update(clean(self._answer(event.value)))

    def on_input_submitted(self) -> None:
        """Answer once more, by the newest line."""
        self.query_one("#answer", Static).update(clean(self._answer(self.query_one(Input).value)))

    def action_leave(self) -> None:
        """Back to the screen below."""
        self.dismiss(None)


class StopOrLeave(ModalScreen[str]):
    """Asks what Ctrl-C was meant to do."""

    CSS = """
    StopOrLeave { align: center middle; }
    StopOrLeave Vertical { width: 62; height: auto; border: heavy $warning; padding: 1 2;
        background: $surface; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "choose('stop')", "stop recording"),
        Binding("l,q", "choose('left')", "leave"),
        Binding("escape,ctrl+c", "choose('')", "stay", priority=True),
    ]

    def compose(self) -> ComposeResult:
        """The question and its three answers."""
        with Vertical():
            yield Static(
                "Stop recording, or only leave this screen?\n\n"
                "[l]    leave: recording goes on\n"
                "[s]    stop: ends the recording of this run\n"
                "[Esc]  neither\n\n"
                "Neither switches a heater: this program only observes.",
                markup=False,
            )

    def action_choose(self, answer: str) -> None:
        """Hand back the answer; '' is neither."""
        self.dismiss(answer)


class Reading(ModalScreen[None]):
    """Text to scroll through; any of the closing keys goes back."""

    CSS = """
    Reading VerticalScroll { width: 100%; height: 1fr; background: $background; padding: 0 1; }
    Reading #how { height: 1; width: 100%; text-style: reverse bold; padding: 0 1; dock: bottom; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q,i,question_mark,enter", "close", "back")
    ]

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def compose(self) -> ComposeResult:
        """The text, and how to go back."""
        with VerticalScroll():
            yield Static(self._text, markup=False)
        yield Static("arrows, PgUp, PgDn scroll · Esc goes back", id="how", markup=False)

    def action_close(self) -> None:
        """Back to the screen below."""
        self.dismiss(None)
