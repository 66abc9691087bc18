"""The characters a terminal can show, text cut to cells, and large digits."""

from __future__ import annotations

from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size

from logger.screen.format import plain_spelling


@dataclass(frozen=True, slots=True, kw_only=True)
class Glyphs:
    """One set of characters; ``plain`` terminals are given ASCII alone."""

    plain: bool
    block: str  # a dot of a large digit
    done: str  # bar: time held
    left: str  # bar: time still to hold
    rule: str
    wall: str  # left edge of a plot
    corner: str
    idle: str  # time axis: nothing fires
    firing: str  # time axis: burner on, not steady
    steady: str
    more: str  # a text was cut here

    def spell(self, text: str) -> str:
        """The text in characters that this terminal has."""
        return plain_spelling(text) if self.plain else text

    def cut(self, text: str, width: int) -> str:
        """The spelled text in at most ``width`` cells; a cut shows."""
        text = self.spell(text)
        if cell_len(text) <= width:
            return text
        room = width - len(self.more)
        return set_cell_size(text, room).rstrip() + self.more if room > 0 else self.more[: max(width, 0)]

    def fit(self, text: str, width: int, *, right: bool = False) -> str:
        """The text in exactly ``width`` cells."""
        text = self.cut(text, width)
        gap = " " * (width - cell_len(text))
        return gap + text if right else text + gap

    def wrap(self, text: str, width: int, rows: int, *, indent: int = 0) -> list[str]:
        """The text in at most ``rows`` lines, broken between words; a cut shows. The lines after the
        first leave room for an indent."""
        lines: list[str] = []
        rest = self.spell(text).split()
        while rest and len(lines) < rows:
            if len(lines) == rows - 1:
                lines.append(self.cut(" ".join(rest), width))
                break
            taken = 1
            while taken < len(rest) and cell_len(" ".join(rest[: taken + 1])) <= width:
                taken += 1
            lines.append(self.cut(" ".join(rest[:taken]), width))
            rest = rest[taken:]
            if len(lines) == 1:
                width -= indent
        return lines


UNICODE = Glyphs(
    plain=False,
    block="█",
    done="━",
    left="╌",
    rule="─",
    wall="│",
    corner="└",
    idle="·",
    firing="─",
    steady="━",
    more="…",
)
ASCII = Glyphs(
    plain=True,
    block="#",
    done="=",
    left=".",
    rule="-",
    wall="|",
    corner="+",
    idle=".",
    firing="-",
    steady="=",
    more="...",
)

DIGIT_ROWS = 5
# Own drawing, 5 rows of dots each.
_DOTS: dict[str, tuple[str, ...]] = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    ",": (" ", " ", " ", "#", "#"),
    ".": (" ", " ", " ", " ", "#"),
    "-": ("  ", "  ", "##", "  ", "  "),
    "—": ("   ", "   ", "###", "   ", "   "),
}
# (columns of a dot, rows of a dot), the largest first
SIZES: tuple[tuple[int, int], ...] = ((4, 2), (3, 2), (2, 1), (1, 1))


def large_digits(text: str, width: int, rows: int, glyphs: Glyphs) -> list[str] | None:
    """The number drawn as large as it fits, lines of equal width; ``None`` where it does not fit.

    >>> for line in large_digits("17", 20, 5, ASCII): print(f"|{line}|")
    |  ##    ######|
    |####        ##|
    |  ##        ##|
    |  ##        ##|
    |######      ##|
    """
    if any(char not in _DOTS for char in text):
        return None
    for across, down in SIZES:
        if down * DIGIT_ROWS > rows:
            continue
        gap = " " * across
        lines = [
            gap.join(
                "".join((glyphs.block if dot == "#" else " ") * across for dot in _DOTS[char][row])
                for char in text
            )
            for row in range(DIGIT_ROWS)
        ]
        if len(lines[0]) <= width:
            return [line for line in lines for _ in range(down)]
    return None
