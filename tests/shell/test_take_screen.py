"""The take's frame: exactly as large as the terminal, in words, whatever stands in it."""

import io
from dataclasses import replace
from typing import Any

import pytest
from rich.cells import cell_len
from rich.console import Console

from logger.core.readings import NS_PER_S, Quantity
from logger.core.traverse import Duct, DuctShape, MeasuredPlane
from logger.core.traverse_plan import Plan, make_plan
from logger.safety import CAUTIONS
from logger.screen.glyphs import ASCII, UNICODE, Glyphs
from logger.take import plan_map
from logger.take.capture import begin
from logger.take.hold import Tail
from logger.take.screen import take_frame
from logger.take.view import TakeView
from logger.take.walk import Entry, Moment, Taken
from logger.take.watch import Look, Stage

DUCT = Duct(shape=DuctShape.RECTANGULAR, width_m=0.508, height_m=0.3556)  # 20 x 14 in
PLAN = make_plan(DUCT)
ROUND = make_plan(Duct(shape=DuctShape.ROUND, diameter_m=0.4064))  # 16 in
TAIL = Tail(mean=4.0, scatter=0.1, drift=0.0, span_s=8.0, count=9)


def look(stage: Stage = Stage.STEADY, **more: Any) -> Look:
    plain = Look(stage=stage, text="for 8 s.", quantity=Quantity.VELOCITY, value=4.064, tail=TAIL)
    return replace(plain, **more)


def view(plan: Plan = PLAN, captured: int = 6, **more: Any) -> TakeView:
    taken = Taken(entry=Entry(velocity_m_s=4.0), scatter_m_s=0.1, t_s=1.0, readings=9)
    count = len(plan.points)
    values = tuple(taken if i < captured else None for i in range(count))
    state = replace(begin(count), taken=values, at=captured)
    trace = tuple((i * NS_PER_S, 4.0 + 0.05 * (i % 3)) for i in range(40))
    made = TakeView(plan=plan, state=state, moment=Moment(looks=(look(),)), trace=trace, path="t.json")
    return replace(made, **more)


def rows(shown: TakeView, width: int = 80, height: int = 24, glyphs: Glyphs = UNICODE) -> list[str]:
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, color_system=None, legacy_windows=False)
    console.print(take_frame(shown, width, height, glyphs), end="")
    return out.getvalue().rstrip("\n").split("\n")


VIEWS = {
    "probe": view(),
    "typed": view(moment=Moment(), typing="812 fpm"),
    "round": view(ROUND),
    "start": view(page="start", start=("One.", "Two.")),
    "help": view(page="help"),
    "end": view(captured=25, state=replace(view(captured=25).state, at=26), result=("Airflow 1.", "Two.")),
    "nothing yet": view(
        captured=0, moment=Moment(looks=(look(Stage.SILENT, value=None, tail=None),)), trace=()
    ),
}


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("glyphs", [UNICODE, ASCII], ids=["unicode", "ascii"])
@pytest.mark.parametrize(("width", "height"), [(80, 24), (132, 50), (60, 20), (40, 12), (20, 6), (3, 2)])
def test_a_frame_is_as_large_as_the_terminal(name: str, glyphs: Glyphs, width: int, height: int) -> None:
    lines = rows(VIEWS[name], width, height, glyphs)
    assert len(lines) == height
    assert all(cell_len(line) <= width for line in lines)
    if glyphs is ASCII:
        assert all(line.isascii() for line in lines)


def test_the_walk_says_where_to_go_and_what_to_do() -> None:
    text = "\n".join(rows(VIEWS["probe"]))
    for part in (
        "20 × 14 in, log-tchebycheff 5 × 5",
        "6 of 25 captured",
        "STEADY",
        "[Enter] takes the average",
        "Point 7 of 25",
        "Hole 2, 5 3/4 in along: mark 4 in",  # 0.2879 of each side: check value 3.15, to 1/16 in
        "mean 787 fpm",
        "± 20 (2 %)",
        "8 s, 9 readings",
        "6  hole 2, 1 in",
    ):
        assert part in text, part


@pytest.mark.parametrize(
    ("stage", "word"),
    [
        (Stage.SILENT, "PROBE SILENT"),
        (Stage.FLAGGED, "VALUE NOT USABLE"),
        (Stage.MOVING, "HOLD STILL"),
        (Stage.UNSTEADY, "UNSTEADY AIR"),
        (Stage.DOUBTFUL, "LOOK AGAIN"),
    ],
)
def test_every_stage_has_its_word(stage: Stage, word: str) -> None:
    shown = view(moment=Moment(looks=(look(stage, text="Because of this."),)))
    assert any(word in line and "Because of this." in line for line in rows(shown))


def test_simulated_probes_are_said_on_every_page() -> None:
    for page in ("", "start", "help"):
        assert "SIMULATED ×20" in rows(view(simulated=True, speed=20.0, page=page))[0]


def test_the_start_page_shows_every_caution_at_80_by_24() -> None:
    text = " ".join(" ".join(rows(view(page="start", start=("A.", "B.", "C.")))).split())
    for caution in CAUTIONS:
        assert caution in text


def test_a_refused_key_and_a_failed_save_are_in_sight() -> None:
    shown = view(trouble="t.json: cannot be written (No space left on device)")
    shown = replace(shown, state=replace(shown.state, said="Not taken. The value moves.", refused=True))
    text = "\n".join(rows(shown))
    assert "! t.json: cannot be written" in text
    assert "Not taken. The value moves." in text


def test_hostile_text_reaches_no_terminal() -> None:
    bad = "\x1b[2J\x07probe\u202e"
    shown = view(path=bad, trouble=bad, moment=Moment(looks=(look(Stage.SILENT, text=bad),)), typing=bad)
    shown = replace(shown, state=replace(shown.state, said=bad))
    text = "\n".join(rows(shown))
    assert not {"\x1b", "\x07", "\u202e"} & set(text)


def test_the_second_probe_has_a_line_of_its_own() -> None:
    warm = look(quantity=Quantity.TEMPERATURE, value=47.8, tail=replace(TAIL, mean=48.0))
    text = "\n".join(rows(view(moment=Moment(looks=(warm, look(Stage.MOVING)), needs_temperature=True))))
    assert "mean 118.4 °F" in text
    assert "velocity 800 fpm, mean 787 fpm, hold still" in text


def test_typed_digits_are_large() -> None:
    assert sum("██" in line for line in rows(VIEWS["typed"])) == 5


def test_the_end_lays_the_values_out_as_they_lie_in_the_duct() -> None:
    lines = rows(VIEWS["end"])
    assert sum(line.split() == ["787"] * 5 for line in lines) == 5
    assert any("Airflow 1." in line for line in lines)


@pytest.mark.parametrize("plan", [PLAN, ROUND], ids=["rectangular", "round"])
def test_the_map_has_every_point_once_and_mirrored(plan: Plan) -> None:
    state = begin(len(plan.points))
    marks = plan_map.UNICODE_MARKS
    lines = [line.plain for line in plan_map.draw(plan, state, 31, 13, UNICODE)]
    text = "".join(lines)
    assert text.count(marks.open) == len(plan.points) - 1
    assert text.count(marks.here) == 1
    inner = [line.replace(marks.here, marks.open).replace(marks.right, marks.wall) for line in lines[1:-1]]
    assert inner == [line[::-1] for line in inner]
    assert inner == inner[::-1]


def test_a_map_without_room_is_left_out() -> None:
    crowded = make_plan(DUCT, grid=(7, 7))
    assert plan_map.draw(crowded, begin(49), 10, 6, UNICODE) == []


def test_a_filter_face_has_places_instead_of_holes() -> None:
    face = make_plan(DUCT, plane=MeasuredPlane.FILTER_FACE, grid=(4, 4))
    text = "\n".join(rows(view(face, captured=1)))
    assert "from the left" in text
    assert "hole" not in text


@pytest.mark.parametrize("name", ["probe", "typed", "end", "start", "help"])
def test_the_way_out_is_seen_in_forty_columns(name: str) -> None:
    foot = rows(VIEWS[name], 40, 12)[-1]
    assert ("[Esc]" if name == "typed" else "[q] save") in foot
    assert "…" not in foot
