"""A drawing made fit to stand in the page: no namespaces, no outside reference, ids of its own."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET  # our own drawing is read, nothing from outside
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_REFERENCE = re.compile(r"url\(#([^)]*)\)")
_DROPPED = frozenset({"metadata", "style", "title"})  # a date and a maker, a rule for the whole page
_META = {"Date": None, "Creator": None, "Format": None, "Type": None}  # nothing that differs between two runs


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """An SVG element as text, with its title and text alternative inside."""

    svg: str
    title: str
    alternative: str


def drawing(figure: Figure, name: str, title: str, alternative: str) -> Drawing:
    """The figure as inline SVG; ``name`` keeps its ids apart from those of other drawings."""
    stream = io.BytesIO()
    figure.savefig(stream, format="svg", metadata=_META)
    root = ET.fromstring(stream.getvalue())
    _clean(root, name)
    root.attrib = {
        "viewBox": root.get("viewBox", ""),
        "role": "img",
        "aria-labelledby": f"{name}-title {name}-text",
    }
    for place, (tag, text) in enumerate((("title", title), ("desc", alternative))):
        element = ET.Element(tag, {"id": f"{name}-{'title' if tag == 'title' else 'text'}"})
        element.text = text
        root.insert(place, element)
    return Drawing(svg=ET.tostring(root, encoding="unicode"), title=title, alternative=alternative)


def _clean(element: ET.Element, name: str) -> None:
    for child in list(element):
        if _local(child.tag) in _DROPPED:
            element.remove(child)
        else:
            _clean(child, name)
    element.tag = _local(element.tag)
    element.attrib = {_local(key): _own(_local(key), value, name) for key, value in element.attrib.items()}


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


def _own(key: str, value: str, name: str) -> str:
    """The value with the drawing's name before every id in it."""
    if key == "id":
        return f"{name}-{value}"
    if key == "href":
        return f"#{name}-{value.removeprefix('#')}"
    return _REFERENCE.sub(lambda found: f"url(#{name}-{found[1]})", value)
