"""The live table on a terminal."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from logger.scan.view import ScanView, table
from logger.screen.terminal import TerminalScreen

if TYPE_CHECKING:
    from rich.console import RenderableType

    from logger.screen.glyphs import Glyphs

_FOOT = "q end   r readable only   u units"
_AROUND = 4  # lines above and below the rows


class ScanScreen(TerminalScreen[ScanView]):
    """Shows what ``view`` gives; ``leave`` is called when the user wants to."""

    def __init__(
        self, view: Callable[[], ScanView], press: Callable[[str], None], leave: Callable[[], None]
    ) -> None:
        super().__init__(going_on="the scan goes on")
        self._view, self._press_key, self._leave = view, press, leave

    def _draw(self, view: ScanView, width: int, height: int, glyphs: Glyphs) -> RenderableType:
        from rich.text import Text  # noqa: PLC0415 - late: start-up time

        return Text("\n".join(frame(view, width, height, glyphs)), no_wrap=True)

    def _show(self) -> None:
        if self._painter is not None:
            self._painter.offer(self._view())

    def _key(self, key: str, data: str) -> None:
        del data
        if key in ("q", "c-c", "escape"):
            self._leave()
        else:
            self._press_key(key)

    def _fall_back(self, error: BaseException) -> None:
        self._tell("The screen cannot be drawn, the table follows at the end", error)


def frame(view: ScanView, width: int, height: int, glyphs: Glyphs) -> list[str]:
    """The lines of one frame."""
    room = max(1, height - _AROUND)
    lines = table(view.rows[:room], width, glyphs)
    head = f"{view.head}; {view.left_s:.0f} s left"
    hidden = len(view.rows) - room
    rest = f"{hidden} more below" if hidden > 0 else ""
    foot = glyphs.fit(_FOOT, max(0, width - len(rest) - 1)) + " " + rest
    return [glyphs.cut(head, width), "", *lines, *[""] * (room + 1 - len(lines)), glyphs.cut(foot, width)]
