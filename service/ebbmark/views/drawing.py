"""A drawing as pure data: where its labels may lie, and the drawing as SVG, PDF or PNG.

A drawing is lines, areas, marks and labels, each with a role in place of a colour. Lengths are inches from the lower
left corner, so that whether labels collide can be checked without drawing anything.

SVG is written by hand; typst sets it as PDF or PNG. Every coordinate is rounded to a hundredth of a point, so that the
same drawing gives the same bytes on every processor. Text stays text. In a page it has the page's own typeface and
every colour is a class, which the page's stylesheet fills: one drawing serves light, dark and paper. Source: SVG 1.1,
sections 8 (paths), 10 (text) and 11 (painting).

The two colours that mean something are from Okabe and Ito, "Color Universal Design" (2008, jfly.uni-koeln.de/color):
a blue and a vermilion, and on dark paper the sky blue and the orange of the same set. They can be told apart with every
common kind of colour blindness, and never stand alone: each goes with a shape and a label. The rest are greys of ours.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from html import escape
from typing import Literal

Point = tuple[float, float]
Role = Literal["paper", "ink", "muted", "hairline", "band", "closing", "suggestion"]
Anchor = Literal["start", "middle", "end"]
MarkShape = Literal["ring", "cross", "diamond", "triangle", "open-triangle"]


@dataclass(frozen=True, slots=True)
class Line:
    """A line through points [in]; `arrow` puts a head at its last point."""

    points: tuple[Point, ...]
    role: Role
    width_pt: float
    dashed: bool = False
    arrow: bool = False


@dataclass(frozen=True, slots=True)
class Area:
    """A filled outline [in]."""

    points: tuple[Point, ...]
    fill: Role
    edge: Role | None = None


@dataclass(frozen=True, slots=True)
class Marks:
    """The same mark at several points [in]."""

    points: tuple[Point, ...]
    shape: MarkShape
    role: Role
    size_pt: float


@dataclass(frozen=True, slots=True)
class Label:
    """One line of text; `at` [in] is where its baseline starts, has its middle, or ends, as `anchor` says."""

    at: Point
    text: str
    size_pt: float
    anchor: Anchor = "start"
    role: Role = "ink"
    upwards: bool = False
    bold: bool = False


Ink = Line | Area | Marks | Label


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished layout: size [in], and what lies on it from below to above."""

    width_in: float
    height_in: float
    inks: tuple[Ink, ...]


ASCENT, DESCENT, LEADING = 0.70, 0.23, 1.22
"""Height above and depth below the baseline and distance of lines, as shares of the size of the type."""

POINTS_PER_INCH = 72.0

TIED = "\u00a0"
"""A space at which no line is broken."""

_AT_MOST = {
    220: "'", 300: " ", 320: ",.:;j", 340: "!il·‘’", 360: "t", 380: "()-f|", 400: "I₂", 420: '"°', 440: "[]",
    460: "r“”", 480: "s", 500: "*/?\\`z{}", 520: "Jc", 540: "e", 560: "ag", 580: "12345679Sovx", 600: "8ky",
    620: "$0FLZbdqµ", 640: "PTpu", 660: "+<=>E^_hn±×÷–≥≤≈−", 680: "BC", 720: "R", 740: "AGKVXY", 760: "#DOQU",
    780: "&N", 820: "H", 840: "w~", 940: "%@M", 960: "m", 1000: "—…→", 1020: "W",
}  # fmt: skip
"""Advance widths [thousandths of the size of the type]: of each character the widest among the typefaces that a page
may be set in and that of the report, rounded up to 20. Taken from Charis SIL (which is Charter), Source Serif 4,
Gelasio (of the widths of Georgia), Tinos (of those of Times) and Libertinus Serif, all published under the SIL Open
Font License."""

_ADVANCE = {character: thousandths / 1000 for thousandths, group in _AT_MOST.items() for character in group}
_WIDEST = max(_ADVANCE.values())


def text_width_in(text: str, size_pt: float) -> float:
    """How wide a line of type is at most [in]; pairs that move together are not looked at."""
    return sum(_ADVANCE.get(character, _WIDEST) for character in text) * size_pt / POINTS_PER_INCH


def broken(text: str, size_pt: float, width_in: float) -> tuple[str, ...]:
    """Break a text (`TIED` holds words together) into as few lines as a width allows, all about equally long."""
    lines = _filled(text, size_pt, width_in)
    for share in range(19, 9, -1):
        narrower = _filled(text, size_pt, width_in * share / 20)
        if len(narrower) > len(lines):
            break
        lines = narrower
    return tuple(line.replace(TIED, " ") for line in lines)


def _filled(text: str, size_pt: float, width_in: float) -> list[str]:
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_in(longer.replace(TIED, " "), size_pt) <= width_in:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def kept_inside(middle: float, width: float, low: float, high: float) -> float:
    """The middle of something as near as can be to where it should be, none of it outside."""
    return max(low + width / 2, min(middle, high - width / 2))


def kept(intervals: Sequence[tuple[float, float]], gap: float) -> tuple[int, ...]:
    """Positions of the intervals (low, high) that can stand together; an earlier one goes before a later one."""
    standing: list[int] = []
    for number, (low, high) in enumerate(intervals):
        if all(high + gap <= intervals[other][0] or intervals[other][1] + gap <= low for other in standing):
            standing.append(number)
    return tuple(standing)


def box_of(label: Label) -> tuple[float, float, float, float]:
    """What a label covers, as (left, bottom, right, top) [in]."""
    width = text_width_in(label.text, label.size_pt) * (_BOLDER if label.bold else 1.0)
    start = -width * _BEFORE[label.anchor]
    above, below = ASCENT * label.size_pt / POINTS_PER_INCH, DESCENT * label.size_pt / POINTS_PER_INCH
    x, y = label.at
    if label.upwards:
        return (x - above, y + start, x + below, y + start + width)
    return (x + start, y - below, x + start + width, y + above)


_BOLDER = 1.2
"""How much wider the bold weight is taken to be; this project's allowance."""

_BEFORE: dict[Anchor, float] = {"start": 0.0, "middle": 0.5, "end": 1.0}

HAIR_PT = 0.6
"""Width of axes and outlines."""

Form = Literal["svg", "png", "pdf"]

Paint = Callable[[str | None, str | None], str]
"""From the roles of filling and stroke to the attributes that give them their colours."""

_PNG_PPI = 200
_TYPEFACES = "'Libertinus Serif', Charter, 'Source Serif 4', Georgia, 'Times New Roman', serif"

_PAGE = b"""#set page(width: auto, height: auto, margin: 0pt)
#set document(title: sys.inputs.words, date: none)
#image(bytes(sys.inputs.figure), format: "svg", alt: sys.inputs.words)"""


@dataclass(frozen=True, slots=True)
class Palette:
    """One colour per role, as #rrggbb."""

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


def svg_alone(drawing: Drawing, words: str, palette: Palette) -> str:
    """The drawing as an SVG file, in the colours of a palette; `words` are for those who cannot see it."""
    colours = asdict(palette)

    def paint(fill: str | None, line: str | None) -> str:
        filled = f' fill="{colours[fill]}"' if fill else ""
        return filled + (f' stroke="{colours[line]}"' if line else "")

    width, height = _size(drawing)
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<svg xmlns="http://www.w3.org/2000/svg" role="img" '
        f'width="{width}pt" height="{height}pt" viewBox="0 0 {width} {height}" font-family="{_TYPEFACES}">'
        f"<title>{escape(words, quote=False)}</title>\n"
        f'<rect width="{width}" height="{height}"{paint("paper", None)}/>\n{_inked(drawing, paint)}</svg>\n'
    )


def svg_in_page(drawing: Drawing, words: str, classes: str) -> str:
    """The drawing as a part of an HTML page; classes `fill-[role]` and `line-[role]` give its colours."""

    def paint(fill: str | None, line: str | None) -> str:
        named = " ".join([*([f"fill-{fill}"] if fill else []), *([f"line-{line}"] if line else [])])
        return f' class="{named}"'

    width, height = _size(drawing)
    return (
        f'<svg class="{classes}" role="img" aria-label="{escape(words)}" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}">{_inked(drawing, paint)}</svg>'
    )


def _size(drawing: Drawing) -> tuple[str, str]:
    return _n(drawing.width_in * POINTS_PER_INCH), _n(drawing.height_in * POINTS_PER_INCH)


def typeset_svg(svg: str, form: Form, words: str) -> bytes:
    """The same as PDF or PNG."""
    # Loaded with the first picture: most commands never need it.
    import typst

    inputs = {"figure": svg, "words": words}
    if form == "png":
        return bytes(typst.compile(_PAGE, ignore_system_fonts=True, format="png", ppi=_PNG_PPI, sys_inputs=inputs))
    return bytes(typst.compile(_PAGE, ignore_system_fonts=True, format="pdf", sys_inputs=inputs))


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
