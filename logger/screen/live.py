"""The live screen of a run: draws twice a second, reads keys, falls back to plain lines."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from logger.screen.history import History
from logger.screen.keys import press
from logger.screen.model import Command, DashboardView, ScreenState
from logger.screen.plain import PlainLines, write_lines
from logger.screen.terminal import REDRAW_S, STOP_S, TerminalScreen, can_show

if TYPE_CHECKING:
    from rich.console import RenderableType

    from logger.screen.glyphs import Glyphs

__all__ = ["LiveScreen", "can_show"]


class LiveScreen(TerminalScreen[DashboardView]):
    """Shows the run for as long as the ``async with`` lasts; without a terminal, as plain lines.

    Parameters
    ----------
    get_view
        Gives the frame for a state of the screen; called in the event loop. A view without a
        history is given the screen's own.
    on_key
        Is told each command, in the event loop.
    on_trouble
        Is told, once each, in a sentence, that the picture or a key failed; the run goes on.
    print_lines
        Prints the lines that stand in for the picture; called in the event loop, so it must not
        wait for the terminal.
    """

    def __init__(
        self,
        get_view: Callable[[ScreenState], DashboardView],
        on_key: Callable[[Command], None],
        *,
        on_trouble: Callable[[str], None] = lambda _text: None,
        print_lines: Callable[[Sequence[str]], None] = lambda lines: write_lines(lines, sys.stdout),
        units: str = "us",
        watching: bool = False,
    ) -> None:
        super().__init__(on_trouble=on_trouble, redraw_s=REDRAW_S, stop_s=STOP_S)
        self.state = ScreenState(units=units, watching=watching)
        self.history = History()
        self._get_view = get_view
        self._on_key = on_key
        self._print_lines = print_lines
        self._plain: PlainLines | None = None
        self._printed: tuple[object, ...] = ()

    def _can_show(self) -> bool:
        return can_show()

    def _cannot_show(self) -> None:
        self._plain = PlainLines(self.state.units)

    def _draw(self, view: DashboardView, width: int, height: int, glyphs: Glyphs) -> RenderableType:
        from logger.screen.view import dashboard  # noqa: PLC0415 - late: start-up time

        return dashboard(view, width, height, glyphs)

    def _key(self, key: str, data: str) -> None:
        self.state, command = press(self.state, key, data)
        if command is not None:
            self._on_key(command)

    def _show(self) -> None:
        try:
            view = self._get_view(self.state)
            self.history.update(view.snapshot)
            if self._painter is not None:
                if not view.history:
                    view = replace(view, history=self.history.get())
                self._painter.offer(view)
            elif self._plain is not None:
                self._print(view, self._plain)
        except Exception as error:  # noqa: BLE001 - no picture is no reason for no run
            self._lost(error)

    def _print(self, view: DashboardView, plain: PlainLines) -> None:
        """Print what is new; the view holds the last events, some of them printed before."""
        keys = tuple((event.t_ns, event.code, event.text) for event in view.events)
        new = [event for event, key in zip(view.events, keys, strict=True) if key not in self._printed]
        self._printed = keys
        self._print_lines(plain.update(view.snapshot, new))

    def _lost(self, error: BaseException) -> None:
        """The picture failed: give the screen back, go on with plain lines, or with none."""
        if self._painter is None:
            self._plain = None
            self._tell("The run cannot be shown any more", error)
            return
        super()._lost(error)

    def _fall_back(self, error: BaseException) -> None:
        self._plain = PlainLines(self.state.units)
        self._tell("The dashboard cannot be drawn, plain lines follow", error)

    def _give_back(self) -> None:
        super()._give_back()
        self._plain = None
