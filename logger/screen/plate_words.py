"""What the output is held against: the unit's plate, or that of the stage that is on, in words that fit."""

from __future__ import annotations

from logger.config.quantities import Dimension
from logger.core.snapshot import Snapshot
from logger.screen.format import number, percent
from logger.screen.glyphs import Glyphs
from logger.screen.plain import stage_words


def fitting(texts: tuple[str, ...], room: int, glyphs: Glyphs) -> str:
    """The first text that fits; the last one, cut, where none does."""
    spelt = [glyphs.spell(text) for text in texts]
    return next((text for text in spelt if len(text) <= room), glyphs.cut(texts[-1], room))


def plate_texts(snapshot: Snapshot, units: str) -> tuple[str, ...]:
    """The plate, longest words first: no other stage's is ever shown for that of the stage that is on."""
    stage = stage_words(snapshot)
    full = number(snapshot.plate_output_w, Dimension.POWER, units)
    if not stage:
        return (f"nameplate {full}",)
    if snapshot.stage is None:
        return f"{stage}, full nameplate {full}", stage
    if snapshot.stage_plate_w is None:
        return f"{stage}, its plate not said", stage
    plate, mark = number(snapshot.stage_plate_w, Dimension.POWER, units), "?" if snapshot.stage_likely else ""
    return f"nameplate of {stage}: {plate}", f"{stage}: {plate}", f"stage {snapshot.stage}{mark} {plate}"


def share_texts(snapshot: Snapshot) -> tuple[str, ...]:
    """The output's share of that plate, longest words first."""
    stage, output_w = stage_words(snapshot), snapshot.output_w
    plate_w = snapshot.stage_plate_w if stage else snapshot.plate_output_w
    share = percent(output_w / plate_w if output_w is not None and plate_w else None)
    if not stage:
        return (f"{share} of nameplate",)
    if snapshot.stage is None:
        return f"{share} of nameplate, {stage}", f"{share} of nameplate"
    return f"{share} of the nameplate of {stage}", f"{share} of its plate"
