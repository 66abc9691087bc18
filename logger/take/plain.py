"""Line mode: a take without a screen, from typed lines; each line is answered with a line or two."""

from __future__ import annotations

import asyncio
import contextlib
import os
import stat
import sys
from collections.abc import Callable, Sequence

from logger.config.quantities import QuantityError
from logger.core.errors import UsageError
from logger.core.readings import NS_PER_S
from logger.screen.format import clean
from logger.take import words
from logger.take.entry import read_line
from logger.take.taking import Taking
from logger.take.walk import NOTHING, Key, State, deciding
from logger.take.watch import Stage

WAIT_S = 120.0  # reading time that a line waits for a value that can be taken; assumed
WALL_WAIT_S = 60.0  # wall time, where no reading comes at all; assumed
LINE_LIMIT = 1000  # bytes of a line; assumed
READY = frozenset({Stage.STEADY, Stage.UNSTEADY, Stage.TYPED, Stage.LACKING, Stage.ASKING, Stage.END})


class Lines:
    """Lines of standard input as they come; None at its end."""

    def __init__(self) -> None:
        self._fd = -1 if sys.stdin is None else sys.stdin.fileno()
        self._rest = b""
        self._ended = self._fd < 0  # started without any input
        self._queue: asyncio.Queue[bytes] = asyncio.Queue()

    def __enter__(self) -> Lines:
        self._loop = asyncio.get_running_loop()
        self._watched = not self._ended and not stat.S_ISREG(os.fstat(self._fd).st_mode)
        if self._watched:
            try:
                self._loop.add_reader(self._fd, self._readable)
            except (NotImplementedError, OSError):  # Windows' loops, and what cannot be polled
                self._watched = False
        return self

    def __exit__(self, *_: object) -> None:
        if self._watched:
            self._loop.remove_reader(self._fd)

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, 65536)
        except OSError:
            data = b""
        if not data:
            self._loop.remove_reader(self._fd)
        self._queue.put_nowait(data)

    async def get(self) -> str | None:
        """The next line without its end. Raises UsageError where it is too long; it is read over then."""
        line = b""
        while b"\n" not in self._rest and not self._ended:
            line = (line + self._rest)[: LINE_LIMIT + 1]
            self._rest = await self._read()
            self._ended = not self._rest
        last, end, self._rest = self._rest.partition(b"\n")
        line += last
        if not line and not end:
            return None
        if len(line) > LINE_LIMIT:
            raise UsageError(f"it has more than {LINE_LIMIT} bytes: give one value a line")
        return line.decode("utf-8", errors="replace").strip()

    async def _read(self) -> bytes:
        if self._watched:
            return await self._queue.get()
        return await asyncio.to_thread(os.read, self._fd, 65536)


class PlainTake:
    """One take from lines.

    With ``interactive`` a line that cannot be followed is refused and asked again; else it ends the
    take by an error that names the line. ``unused``: values in a pipe behind the last point.
    """

    def __init__(
        self,
        taking: Taking,
        say: Callable[[Sequence[str]], None],
        *,
        units: str,
        interactive: bool,
        changed: asyncio.Event,
    ) -> None:
        self._taking = taking
        self._say = say
        self._units = units
        self._interactive = interactive
        self._changed = changed
        self._number = 0
        self.unused = 0

    async def run(self, lines: Lines) -> bool:
        """Follow lines until the end of the walk, of the input, or a word to leave.

        False where a pipe ended while points waited for their value.

        Raises
        ------
        UsageError
            A line cannot be followed and nobody is there to mend it.
        """
        self._say(self._ask())
        while not self._taking.state.left:
            self._number += 1
            try:
                line = await lines.get()
            except UsageError as error:
                self._refuse(str(error))
                continue
            if line is None:
                state = self._taking.key(Key.LEAVE)
                return self._interactive or state.skipped.issuperset(state.open)
            await self._follow(line)
        return True

    async def _follow(self, line: str) -> None:
        taking = self._taking
        if not self._interactive and (line.startswith("#") or (not line and taking.feed is None)):
            return
        try:
            read = read_line(line, temperature=taking.moment().needs_temperature)
        except QuantityError as error:
            self._refuse(str(error))
            return
        before = taking.state
        if before.ended and read.key is Key.VALUE and not self._interactive:
            self.unused += 1
            return
        if read.key is Key.TAKE:
            await self._until_ready()
        state = taking.key(read.key, read.entry)
        if state.doubted != NOTHING and not self._interactive:
            state = taking.key(Key.TAKE)  # who writes lines ahead has looked
        if state.refused:
            self._refuse(state.said)
            return
        self._say([*self._captured(before, state), *self._ask()])

    async def _until_ready(self) -> None:
        """Wait until there is a value to take, told once why not; no longer than ``WAIT_S``."""
        feed, told = self._taking.feed, ""
        if feed is None:
            return
        start_ns = feed.elapsed_ns()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(WALL_WAIT_S):
                while (stage := self._taking.stage) not in READY:
                    if self._interactive and stage is Stage.DOUBTFUL:
                        return
                    if words.STAGE_WORDS[stage] != told:
                        told = words.STAGE_WORDS[stage]
                        look = deciding(self._taking.state, self._taking.moment())
                        self._say([f"  {told.lower()}: {clean(look.text) if look else ''}"])
                    if (feed.elapsed_ns() - start_ns) / NS_PER_S > WAIT_S:
                        return
                    self._changed.clear()
                    await self._changed.wait()

    def _refuse(self, text: str) -> None:
        if self._interactive:
            self._say([clean(text)])
            return
        book = self._taking.notebook
        kept = "no point was captured, nothing is kept; correct the line and begin anew"
        if book.saved:
            kept = f"{words.saved_text(book.saved, book.path)}; go on with --resume {book.path}"
        raise UsageError(f"line {self._number} of standard input: {clean(text)}\n{kept}")

    def _captured(self, before: State, state: State) -> list[str]:
        """What the line did."""
        said = [clean(state.said)] if state.said else []
        if not state.changed:
            return said
        taken = state.repeat if before.repeating else state.taken[before.here]
        if taken is None:
            return said
        text = f"{words.taken_text(taken, self._units)} {words.scatter_text(taken, self._units)}"
        note = f" ({taken.note})" if taken.note else ""
        return [f"  {text}{note}", *said]

    def _ask(self) -> list[str]:
        """The point in hand."""
        state, taking = self._taking.state, self._taking
        if state.left:
            return []
        if state.ended:
            missing = words.open_text(state)
            return [f"End of the walk{': ' + missing if missing else ''}. Enter or q ends it, b goes back."]
        more = " once more, for the drift" if state.repeating else ""
        place = words.place_text(taking.notebook.plan, state.here, self._units)
        return [f"point {state.here + 1} of {state.count}{more}: {place}"]
