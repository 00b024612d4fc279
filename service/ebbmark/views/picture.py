"""A drawing as SVG, written by hand, and that SVG as PDF or PNG, set by typst; or as a part of a page.

Every coordinate is rounded to a hundredth of a point, so that the same figure gives the same bytes on every processor.
Text stays text. In a page it has the page's own typeface and every colour is a class, which the page's stylesheet
fills: one drawing serves light, dark and paper. Source: SVG 1.1, sections 8 (paths), 10 (text) and 11 (painting).

The two colours that mean something are from Okabe and Ito, "Color Universal Design" (2008, jfly.uni-koeln.de/color):
a blue and a vermilion, and on dark paper the sky blue and the orange of the same set. They can be told apart with every
common kind of colour blindness, and never stand alone: each goes with a shape and a label. The rest are greys of ours.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from html import escape
from typing import Literal

from ebbmark.views.drawing import POINTS_PER_INCH, Area, Drawing, Ink, Label, Line, Marks, Point
from ebbmark.views.figure import Figure, RunningFigure
from ebbmark.views.figure_words import alternative_text, running_alternative_text
from ebbmark.views.layout import laid_out, running_laid_out
from ebbmark.views.panels import HAIR_PT, NARROW, WIDE, Aspect

Form = Literal["svg", "png", "pdf"]
Paint = Callable[[str | None, str | None], str]
"""From the roles of filling and stroke to the attributes that give them their colours."""

PNG_PIXELS_PER_INCH = 200

_TYPEFACES = "'Libertinus Serif', Charter, 'Source Serif 4', Georgia, 'Times New Roman', serif"
_PAGE = b"""#set page(width: auto, height: auto, margin: 0pt)
#set document(title: sys.inputs.words, date: none)
#image(bytes(sys.inputs.figure), format: "svg", alt: sys.inputs.words)"""


@dataclass(frozen=True, slots=True)
class Palette:
    """One colour per role, as #rrggbb.

    Attributes:
        paper: what everything is drawn on.
        ink: text, the marks of the readings and the curve.
        muted: what is said in passing.
        band: inside of the band and of the bars.
        closing: everything about the closing pressure.
        suggestion: everything about the suggested PEEP.
    """

    paper: str
    ink: str
    muted: str
    hairline: str
    band: str
    closing: str
    suggestion: str


LIGHT = Palette(
    paper="#ffffff",
    ink="#1b1b1b",
    muted="#5a5a5a",
    hairline="#858585",
    band="#dde1e6",
    closing="#d55e00",  # Okabe and Ito, vermilion
    suggestion="#0072b2",  # Okabe and Ito, blue
)
"""Ink on white paper; for print, and by day."""

DARK = Palette(
    paper="#16191c",
    ink="#ececea",
    muted="#aeb3b8",
    hairline="#7b8187",
    band="#353c44",
    closing="#e69f00",  # Okabe and Ito, orange
    suggestion="#56b4e9",  # Okabe and Ito, sky blue
)
"""Light ink on dark paper; for rooms that are kept dark."""


@dataclass(frozen=True, slots=True)
class Inline:
    """The drawings of one figure, as parts of an HTML page; classes `fill-[role]` and `line-[role]` give colours."""

    wide: str
    narrow: str


def draw(
    figure: Figure | RunningFigure, *, form: Form = "svg", palette: Palette = LIGHT, aspect: Aspect = WIDE
) -> bytes:
    """Draw the figure; the same bytes for the same input."""
    drawing, words = _laid_out(figure, aspect), words_of(figure)
    colours = asdict(palette)

    def paint(fill: str | None, line: str | None) -> str:
        filled = f' fill="{colours[fill]}"' if fill else ""
        return filled + (f' stroke="{colours[line]}"' if line else "")

    width, height = _n(drawing.width_in * POINTS_PER_INCH), _n(drawing.height_in * POINTS_PER_INCH)
    svg = (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<svg xmlns="http://www.w3.org/2000/svg" role="img" '
        f'width="{width}pt" height="{height}pt" viewBox="0 0 {width} {height}" font-family="{_TYPEFACES}">'
        f"<title>{escape(words, quote=False)}</title>\n"
        f'<rect width="{width}" height="{height}"{paint("paper", None)}/>\n{_inked(drawing, paint)}</svg>\n'
    )
    return svg.encode() if form == "svg" else _typeset(svg, form, words)


def inline_of(figure: Figure | RunningFigure, words: str, *, mark: str = "") -> Inline:
    """Draw a figure as a part of a page.

    Args:
        words: what it shows, for those who cannot see it.
        mark: a word that stands in a strip of its own above the drawing; empty for none.
    """

    def paint(fill: str | None, line: str | None) -> str:
        classes = " ".join([*([f"fill-{fill}"] if fill else []), *([f"line-{line}"] if line else [])])
        return f' class="{classes}"'

    def drawn(aspect: Aspect, name: str) -> str:
        drawing = _laid_out(figure, aspect)
        if mark:
            above = Label((0.05, drawing.height_in + 0.08), mark, 10.0, bold=True)
            drawing = replace(drawing, height_in=drawing.height_in + 0.25, inks=(*drawing.inks, above))
        width, height = _n(drawing.width_in * POINTS_PER_INCH), _n(drawing.height_in * POINTS_PER_INCH)
        return (
            f'<svg class="drawn drawn-{name}" role="img" aria-label="{escape(words)}" viewBox="0 0 {width} {height}" '
            f'width="{width}" height="{height}">{_inked(drawing, paint)}</svg>'
        )

    # On a page the figure does not travel alone: what stands around it says which answer it is.
    return Inline(drawn(replace(WIDE, alone=False), "wide"), drawn(replace(NARROW, alone=False), "narrow"))


def words_of(figure: Figure | RunningFigure) -> str:
    """What the figure shows, in words."""
    return running_alternative_text(figure) if isinstance(figure, RunningFigure) else alternative_text(figure)


def _laid_out(figure: Figure | RunningFigure, aspect: Aspect) -> Drawing:
    return running_laid_out(figure, aspect) if isinstance(figure, RunningFigure) else laid_out(figure, aspect)


def _typeset(svg: str, form: Form, words: str) -> bytes:
    # Loaded with the first picture: most commands never need it.
    import typst

    inputs = {"figure": svg, "words": words}
    if form == "png":
        made = typst.compile(_PAGE, ignore_system_fonts=True, format="png", ppi=PNG_PIXELS_PER_INCH, sys_inputs=inputs)
    else:
        made = typst.compile(_PAGE, ignore_system_fonts=True, format="pdf", sys_inputs=inputs)
    return bytes(made)


def _inked(drawing: Drawing, paint: Paint) -> str:
    def at(point: Point) -> tuple[float, float]:
        return point[0] * POINTS_PER_INCH, (drawing.height_in - point[1]) * POINTS_PER_INCH

    return "".join(f"{part}\n" for ink in drawing.inks for part in _parts(ink, at, paint))


def _parts(ink: Ink, at: Callable[[Point], Point], paint: Paint) -> Iterator[str]:
    match ink:
        case Line():
            points = [at(point) for point in ink.points]
            dashes = ' stroke-dasharray="4 2.5"' if ink.dashed else ""
            stroke = f'{paint(None, ink.role)} stroke-width="{_n(ink.width_pt)}" stroke-linejoin="round"{dashes}'
            yield f'<path d="{_path(points)}" fill="none"{stroke}/>'
            if ink.arrow:
                x, y = points[-1]
                yield f'<path d="{_path([(x + 3, y), (x - 3, y - 2.6), (x - 3, y + 2.6)])}Z"{paint(ink.role, None)}/>'
        case Area():
            edge = f' stroke-width="{HAIR_PT}" stroke-linejoin="round"' if ink.edge else ""
            yield f'<path d="{_path(map(at, ink.points))}Z"{paint(ink.fill, ink.edge)}{edge}/>'
        case Marks():
            for point in ink.points:
                yield _mark(ink, *at(point), paint)
        case Label():
            left, base = map(_n, at(ink.at))
            turned = f' transform="rotate(-90 {left} {base})"' if ink.upwards else ""
            anchor = f' text-anchor="{ink.anchor}"' if ink.anchor != "start" else ""
            weight = ' font-weight="bold"' if ink.bold else ""
            head = f'<text x="{left}" y="{base}" font-size="{_n(ink.size_pt)}"{weight}{anchor}{turned}'
            yield f"{head}{paint(ink.role, None)}>{_lettered(ink)}</text>"


def _mark(ink: Marks, x: float, y: float, paint: Paint) -> str:
    half = ink.size_pt / 2
    filling = ink.role if ink.shape in ("diamond", "triangle") else "paper"
    if ink.shape == "ring":
        circle = f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(half)}"'
        return f'{circle}{paint(filling, ink.role)} stroke-width="0.8"/>'
    if ink.shape == "cross":
        outline = _path([(x - half, y - half), (x + half, y + half)]) + _path(
            [(x - half, y + half), (x + half, y - half)]
        )
    elif ink.shape == "diamond":
        wide = 1.4 * half
        outline = _path([(x, y - wide), (x + wide, y), (x, y + wide), (x - wide, y)]) + "Z"
    else:
        outline = _path([(x - half, y - half), (x + half, y - half), (x, y + half)]) + "Z"
    return f'<path d="{outline}"{paint(filling, ink.role)} stroke-width="0.8"/>'


def _lettered(label: Label) -> str:
    """The text, with the figures in cmH2O and SpO2 as subscripts."""
    small, down = _n(0.7 * label.size_pt), _n(0.2 * label.size_pt)
    two = f'<tspan font-size="{small}" dy="{down}">2</tspan>'
    said = re.sub("cmH2O", rf'cmH{two}<tspan dy="-{down}">O</tspan>', escape(label.text, quote=False))
    return re.sub("SpO2(.?)", rf'SpO{two}<tspan dy="-{down}">\1</tspan>', said)


def _path(points: Iterable[Point]) -> str:
    return "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in points)


def _n(number: float) -> str:
    """A number to a hundredth; never a negative zero."""
    return f"{round(number, 2) + 0.0:.2f}".rstrip("0").rstrip(".")
