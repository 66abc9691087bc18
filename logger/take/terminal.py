"""The take on a terminal: frames and keys around one ``Taking``."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from logger.core.traverse_budget import drift
from logger.screen.terminal import TerminalScreen
from logger.take.entry import NUMBER
from logger.take.keys import Ui, press
from logger.take.taking import Taking
from logger.take.walk import Key

if TYPE_CHECKING:
    from rich.console import RenderableType

    from logger.screen.glyphs import Glyphs
    from logger.take.view import TakeView

REDRAW_S = 0.25  # 4 Hz: a value that a hand follows; assumed


class TakeScreen(TerminalScreen["TakeView"]):
    """Walks until the user leaves; ``ended`` is set then, or when the screen cannot go on.

    ``result`` gives the airflow in lines, for the end of the walk.
    """

    def __init__(
        self,
        taking: Taking,
        *,
        units: str,
        start: tuple[str, ...] = (),
        result: Callable[[str], tuple[str, ...]] = lambda _units: (),
        on_trouble: Callable[[str], None] = lambda _text: None,
    ) -> None:
        super().__init__(
            on_trouble=on_trouble, going_on="what was captured is in the file", redraw_s=REDRAW_S
        )
        self.ui = Ui(units=units)
        self.ended = asyncio.Event()
        self._taking = taking
        self._start_text = start
        self._result = result
        self._result_of: object = None
        self._result_lines: tuple[str, ...] = ()

    def leave(self) -> None:
        """Save and leave, as the key does."""
        self._taking.key(Key.LEAVE)
        self.ended.set()

    def abandon(self) -> None:
        """Give the terminal back now, whatever still runs."""
        self._give_back()

    def view(self) -> TakeView:
        """The frame as it is now."""
        from logger.take.view import TakeView  # noqa: PLC0415 - late: start-up time

        taking, ui, feed = self._taking, self.ui, self._taking.feed
        state = taking.state
        if ui.fault:
            state = replace(state, said=ui.fault, refused=True)
        unsaved = taking.notebook.trouble
        if unsaved:  # it has a line of its own
            state = replace(state, said=state.said.replace(f": {unsaved}.", "."))
        troubles = [unsaved, "" if feed is None else feed.trouble]
        return TakeView(
            plan=taking.notebook.plan,
            state=state,
            moment=taking.moment(),
            units=ui.units,
            page=ui.page,
            typing=ui.typing,
            typing_unit=ui.unit if ui.typing is not None and _is_number(ui.typing) else "",
            trace=() if feed is None else tuple(feed.trace),
            path=str(taking.notebook.path),
            saved=taking.notebook.saved,
            trouble="; ".join(text for text in troubles if text),
            simulated=feed is not None and feed.simulated,
            speed=1.0 if feed is None else feed.speed,
            result=self._result_now(ui.units) if state.ended else (),
            drift=drift(taking.traverse()) if state.ended else None,
            start=self._start_text,
        )

    def _result_now(self, units: str) -> tuple[str, ...]:
        """The airflow, worked out once for each set of values."""
        state = self._taking.state
        key = (state.taken, state.repeat, units)
        if self._result_of != key:
            self._result_of, self._result_lines = key, self._result(units)
        return self._result_lines

    def _draw(self, view: TakeView, width: int, height: int, glyphs: Glyphs) -> RenderableType:
        from logger.take.screen import take_frame  # noqa: PLC0415 - late: start-up time

        return take_frame(view, width, height, glyphs)

    def _show(self) -> None:
        try:
            self._taking.observe()
            if self._painter is not None:
                self._painter.offer(self.view())
        except Exception as error:  # noqa: BLE001 - the terminal must come back
            self._lost(error)

    def _key(self, key: str, data: str) -> None:
        temperature = self._taking.moment().needs_temperature
        self.ui, asked = press(self.ui, key, data, temperature=temperature)
        if asked is None:
            return
        if self._taking.key(asked.key, asked.entry).left:
            self.ended.set()

    def _fall_back(self, error: BaseException) -> None:
        self._tell("The screen cannot be drawn, plain lines follow", error)
        self.ended.set()


def _is_number(text: str) -> bool:

    return NUMBER.fullmatch(text.strip()) is not None
