"""Lines to a terminal that takes nothing for a while: nobody waits, and what was dropped is told."""

import asyncio
import io
import os
import re
from collections.abc import Iterator

import pytest

from logger.screen.printer import LinePrinter

GUARD_S = 20.0  # a limit for a broken test, never waited for


class Pipe:
    """A pipe as an output; what is written is read when asked for."""

    def __init__(self) -> None:
        self.end, write_end = os.pipe()
        self.stream = os.fdopen(write_end, "w", encoding="utf-8")
        self.seen = b""

    def fill(self) -> None:
        """Until it takes no more."""
        os.set_blocking(self.stream.fileno(), False)
        try:
            while True:
                os.write(self.stream.fileno(), b"." * 4095 + b"\n")
        except BlockingIOError:
            os.set_blocking(self.stream.fileno(), True)

    async def lines(self, last: str) -> list[str]:
        while not self.seen.endswith(last.encode() + b"\n"):
            self.seen += await asyncio.to_thread(os.read, self.end, 65536)
        return [line for line in self.seen.decode().splitlines() if not line.startswith("....")]


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    made = Pipe()
    yield made
    made.stream.close()
    os.close(made.end)


async def test_lines_come_in_order(pipe: Pipe) -> None:
    printer = LinePrinter(pipe.stream)
    for number in range(300):
        printer.offer([f"{number} °F", f"{number} again"])
    await asyncio.wait_for(printer.close(), GUARD_S)
    lines = await asyncio.wait_for(pipe.lines("299 again"), GUARD_S)
    assert lines == [text for n in range(300) for text in (f"{n} °F", f"{n} again")]
    assert (printer.dropped, printer.error) == (0, None)


async def test_a_stalled_reader_holds_nobody_up_and_is_told_what_it_missed(pipe: Pipe) -> None:
    """Every line is shown or counted, the newest are shown."""
    printer = LinePrinter(pipe.stream, held=10)
    pipe.fill()
    for number in range(5000):
        printer.offer([str(number)])
    assert printer.dropped > 0
    reading = asyncio.ensure_future(pipe.lines("4999"))
    await asyncio.wait_for(printer.close(), GUARD_S)
    lines = await asyncio.wait_for(reading, GUARD_S)
    missed = [int(m[1]) for line in lines if (m := re.match(r"\((\d+) lines are not shown", line))]
    assert sum(missed) == printer.dropped
    assert len(lines) - len(missed) == 5000 - printer.dropped
    assert lines[-10:] == [str(n) for n in range(4990, 5000)]


async def test_the_end_of_a_stalled_printer_is_waited_for_no_longer_than_asked(pipe: Pipe) -> None:
    pipe.fill()
    printer = LinePrinter(pipe.stream)
    printer.offer(["never shown"])
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(printer.close(), 0)


async def test_a_reader_that_has_gone_is_an_error_to_look_at(pipe: Pipe) -> None:
    os.close(pipe.end)
    printer = LinePrinter(pipe.stream)
    printer.offer(["lost"])
    await asyncio.wait_for(printer.close(), GUARD_S)
    printer.offer(["more"])
    assert isinstance(printer.error, BrokenPipeError)
    pipe.end = os.open(os.devnull, os.O_RDONLY)


async def test_no_stream_and_a_stream_that_is_no_file() -> None:
    closed = LinePrinter(None)
    closed.offer(["x"])
    await closed.close()
    text = io.StringIO()
    printer = LinePrinter(text)
    printer.offer(["20 °C"])
    await asyncio.wait_for(printer.close(), GUARD_S)
    assert text.getvalue() == "20 C\n"  # a stream without an encoding gets ASCII


async def test_json_is_utf_8_whatever_the_locale(pipe: Pipe) -> None:
    ascii_stream = os.fdopen(os.dup(pipe.stream.fileno()), "w", encoding="ascii")
    with ascii_stream:
        printer = LinePrinter(ascii_stream, encoding="utf-8")
        printer.offer(['{"text": "°"}'])
        await asyncio.wait_for(printer.close(), GUARD_S)
    assert await asyncio.wait_for(pipe.lines('{"text": "°"}'), GUARD_S) == ['{"text": "°"}']
