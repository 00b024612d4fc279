"""The figure as a part of a page: the same drawing, whose colours are names that the page's stylesheet gives.

One drawing then serves light, dark and paper, where an image would be one each; and letters, which are outlines, stand
in the page once for all drawings. Made from what `drawing` draws, with a colour per role that nobody sees: only that
tells an ink's role from the outside. Source: SVG 1.1, 6.4 (presentation attributes) and 5.6 (`use`, `x` and `y`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from html import escape
from xml.etree import ElementTree

from ebbmark.views.content import Figure
from ebbmark.views.drawing import draw
from ebbmark.views.field import NARROW, WIDE, Aspect
from ebbmark.views.palette import Palette
from ebbmark.views.running_content import RunningFigure

__all__ = ["Inline", "inline_of"]

_ROLES = tuple(one.name for one in fields(Palette))
_MARKED = Palette(**{role: f"#0000{number:02x}" for number, role in enumerate(_ROLES, start=1)})
_ROLE_OF = {getattr(_MARKED, role): role for role in _ROLES}
_HREF = "{http://www.w3.org/1999/xlink}href"
_NUMBER = re.compile(r"-?\d+\.\d+")
_ALONG = re.compile(r"translate\((-?[\d.]+) 0\)")
_MOVED = re.compile(r"translate\([^)]*\)")
_USED = frozenset({"path", "use", "g"})
"""What is drawn; all else in the file is about the file."""


@dataclass(frozen=True, slots=True)
class Inline:
    """The drawings of one figure, as parts of an HTML page.

    Attributes:
        letters: outlines that the drawings refer to; shows nothing itself.
        wide, narrow: the drawings; classes `fill-[role]` and `line-[role]` stand for colours.
    """

    letters: str
    wide: str
    narrow: str


def inline_of(figure: Figure | RunningFigure, words: str) -> Inline:
    """Draw a figure as a part of a page.

    Args:
        figure: what is drawn.
        words: what it shows, for those who cannot see it.
    """
    letters: dict[str, str] = {}

    def drawn(aspect: Aspect, name: str) -> str:
        # Parsed is what this very process has drawn.
        root = ElementTree.fromstring(draw(figure, palette=_MARKED, aspect=aspect))  # noqa: S314
        own: dict[str, str] = {}
        parts = "".join(part for child in root for part in _parts(child, name, own, letters))
        box = _rounded(root.attrib["viewBox"])
        _, _, width, height = box.split()
        marks = f"<defs>{''.join(own.values())}</defs>" if own else ""
        return (
            f'<svg class="drawn drawn-{name}" role="img" aria-label="{escape(words)}" viewBox="{box}" width="{width}" '
            f'height="{height}" stroke-linejoin="round" stroke-linecap="butt">{marks}{parts}</svg>'
        )

    wide, narrow = drawn(WIDE, "wide"), drawn(NARROW, "narrow")
    outlines = "".join(letters.values())
    return Inline(f'<svg class="letters" aria-hidden="true" width="0" height="0">{outlines}</svg>', wide, narrow)


def _parts(node: ElementTree.Element, name: str, own: dict[str, str], letters: dict[str, str]) -> Iterator[str]:
    """One element and all in it, without the groups that only give names."""
    tag = node.tag.rpartition("}")[2]
    if tag == "defs":
        for one in node:
            identity = one.attrib.get("id", "")
            # Letters look alike in every drawing; the shapes of marks are of this one.
            if identity and "scale" in one.attrib.get("transform", ""):
                letters[identity] = _element("path", {"id": _letter(identity), **_attributes(one.attrib, name)}, "")
            elif identity:
                own[identity] = _element("path", {"id": f"{name}-{identity}", **_attributes(one.attrib, name)}, "")
        return
    if tag not in _USED:
        return
    inner = "".join(part for child in node for part in _parts(child, name, own, letters))
    attributes = _attributes(node.attrib, name)
    if tag == "g" and not attributes:
        yield inner
    elif tag != "g" or inner:
        yield _element(tag, attributes, inner)


def _attributes(given: Mapping[str, str], name: str) -> dict[str, str]:
    found: dict[str, str] = {}
    classes = []
    for key, value in _styled(given.get("style", "")):
        if value in _ROLE_OF:
            classes.append(f"{'line' if key == 'stroke' else 'fill'}-{_ROLE_OF[value]}")
        elif (key, value) != ("stroke-dashoffset", "0"):
            found[key] = value
    if classes:
        found["class"] = " ".join(classes)
    if "d" in given:
        found["d"] = re.sub(r"\s*([A-Za-z])\s*", r"\1", _rounded(given["d"]))
    for key in ("x", "y"):
        if key in given:
            found[key] = _rounded(given[key])
    along = _ALONG.fullmatch(given.get("transform", ""))
    if along is not None:
        found["x"] = _rounded(along[1])
    elif "transform" in given:
        found["transform"] = _MOVED.sub(lambda moved: _rounded(moved[0]), given["transform"])
    if _HREF in given:
        identity = given[_HREF].removeprefix("#")
        found["href"] = f"#{_letter(identity) if '-' in identity else f'{name}-{identity}'}"
    return found


def _styled(style: str) -> list[tuple[str, str]]:
    pairs = (one.partition(":") for one in style.split(";") if one.strip())
    return [(key.strip(), value.strip()) for key, _, value in pairs]


def _letter(identity: str) -> str:
    return f"letter-{identity.rpartition('-')[2]}"


def _element(tag: str, attributes: Mapping[str, str], inner: str) -> str:
    said = "".join(f' {key}="{escape(value)}"' for key, value in attributes.items())
    return f"<{tag}{said}>{inner}</{tag}>" if inner else f"<{tag}{said}/>"


def _rounded(text: str) -> str:
    """Every number to a hundredth of a point."""
    return _NUMBER.sub(lambda found: f"{float(found[0]):.2f}".rstrip("0").rstrip("."), text)
