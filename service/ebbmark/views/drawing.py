"""How does a layout become a picture? By matplotlib as the pen: text as outlines, no dates, so equal bytes each time.

matplotlib takes a second to load, so it is loaded with the first picture. It keeps settings in one place for the whole
process; pictures are therefore drawn one at a time.
"""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any, Literal, assert_never

from ebbmark.views.content import Figure
from ebbmark.views.field import HAIR_PT, WIDE, Aspect
from ebbmark.views.ink import Area, Drawing, Ink, Label, Line, Marks, MarkShape
from ebbmark.views.layout import laid_out
from ebbmark.views.palette import LIGHT, Palette
from ebbmark.views.placing import POINTS_PER_INCH
from ebbmark.views.running_content import RunningFigure
from ebbmark.views.running_layout import running_laid_out
from ebbmark.views.running_words import running_alternative_text
from ebbmark.views.words import alternative_text

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure as Sheet
    from matplotlib.font_manager import FontProperties

__all__ = ["Form", "draw", "text_width_in"]

Form = Literal["svg", "png", "pdf"]

PNG_PIXELS_PER_INCH = 200

SETTINGS: Any = {
    "svg.fonttype": "path",
    "svg.hashsalt": "ebbmark",
    "pdf.fonttype": 42,
    "pdf.compression": 6,
    "path.simplify": False,
    "text.usetex": False,
    "text.parse_math": False,
}

_ONE_AT_A_TIME = Lock()

_MARKERS: dict[MarkShape, tuple[str, bool]] = {
    "ring": ("o", False),
    "cross": ("x", False),
    "diamond": ("D", True),
    "triangle": ("v", True),
    "open-triangle": ("v", False),
}


def draw(
    figure: Figure | RunningFigure, *, form: Form = "svg", palette: Palette = LIGHT, aspect: Aspect = WIDE
) -> bytes:
    """Draw the figure; the same bytes for the same input.

    Args:
        figure: what is drawn.
        form: file format.
        palette: colours.
        aspect: shape.
    """
    import matplotlib as mpl

    with _ONE_AT_A_TIME, mpl.rc_context():
        # Whoever runs this may have settings of their own; the picture must not depend on them.
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS)
        if isinstance(figure, RunningFigure):
            drawing, words = running_laid_out(figure, aspect, text_width_in), running_alternative_text(figure)
        else:
            drawing, words = laid_out(figure, aspect, text_width_in), alternative_text(figure)
        return _written(_inked(drawing, palette), form, words)


def _typeface() -> Path:
    # By its file: the same type on every machine, whatever fonts that has.
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf" / "STIXGeneral.ttf"


@lru_cache(maxsize=16)
def _font(size_pt: float) -> FontProperties:
    from matplotlib.font_manager import FontProperties

    return FontProperties(fname=_typeface(), size=size_pt)


def text_width_in(text: str, size_pt: float) -> float:
    """How wide a line of the figure's type is at most: pairs that move together are not looked at [in].

    Args:
        text: one line.
        size_pt: size of the type [pt].
    """
    return sum(map(_advance, text)) * size_pt / POINTS_PER_INCH


@lru_cache(maxsize=512)
def _advance(character: str) -> float:
    """From one letter to the next, as share of the size of the type."""
    from matplotlib.ft2font import FT2Font, LoadFlags

    font = FT2Font(_typeface())
    font.set_size(100.0, POINTS_PER_INCH)
    return float(font.load_char(ord(character), flags=LoadFlags.NO_HINTING).linearHoriAdvance) / 65536 / 100.0


def _inked(drawing: Drawing, palette: Palette) -> Sheet:
    from matplotlib.figure import Figure as Sheet

    sheet = Sheet(figsize=(drawing.width_in, drawing.height_in), facecolor=palette.paper, edgecolor="none")
    for ink in drawing.inks:
        for artist in _artists(ink, palette):
            artist.set_transform(sheet.dpi_scale_trans)
            sheet.add_artist(artist)
    return sheet


def _artists(ink: Ink, palette: Palette) -> list[Artist]:
    match ink:
        case Line():
            return _line(ink, palette)
        case Area():
            return [_area(ink, palette)]
        case Marks():
            return [_marks(ink, palette)] if ink.points else []
        case Label():
            return [_label(ink, palette)]
        case _:  # pragma: no cover
            assert_never(ink)


def _line(ink: Line, palette: Palette) -> list[Artist]:
    from matplotlib.lines import Line2D

    colour = getattr(palette, ink.role)
    xs, ys = zip(*ink.points, strict=True)
    line = Line2D(
        xs, ys, color=colour, linewidth=ink.width_pt, solid_capstyle="butt", solid_joinstyle="round",
        linestyle=(0, (4, 2.5)) if ink.dashed else "-", antialiased=True,
    )  # fmt: skip
    if not ink.arrow:
        return [line]
    tip = Line2D([xs[-1]], [ys[-1]], color=colour, marker=">", markersize=5.0, markeredgewidth=0.0, linestyle="")
    return [line, tip]


def _area(ink: Area, palette: Palette) -> Artist:
    from matplotlib.patches import Polygon

    edge = getattr(palette, ink.edge) if ink.edge else "none"
    return Polygon(ink.points, closed=True, facecolor=getattr(palette, ink.fill), edgecolor=edge, linewidth=HAIR_PT)


def _marks(ink: Marks, palette: Palette) -> Artist:
    from matplotlib.lines import Line2D

    marker, filled = _MARKERS[ink.shape]
    colour = getattr(palette, ink.role)
    xs, ys = zip(*ink.points, strict=True)
    return Line2D(
        xs, ys, linestyle="", marker=marker, markersize=ink.size_pt, markeredgewidth=0.8, markeredgecolor=colour,
        markerfacecolor=colour if filled else palette.paper,
    )  # fmt: skip


def _label(ink: Label, palette: Palette) -> Artist:
    from matplotlib.text import Text

    anchors = {"start": "left", "middle": "center", "end": "right"}
    return Text(
        *ink.at, ink.text, color=getattr(palette, ink.role), fontproperties=_font(ink.size_pt),
        ha=anchors[ink.anchor], va="baseline", rotation=90.0 if ink.upwards else 0.0, rotation_mode="anchor",
        parse_math=False,
    )  # fmt: skip


def _written(sheet: Sheet, form: Form, description: str) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    into = io.BytesIO()
    if form == "svg":
        about = {"Title": description, "Date": None, "Creator": None}
        FigureCanvasSVG(sheet).print_svg(into, metadata=about)  # type: ignore[no-untyped-call]
    elif form == "pdf":
        about = {"Title": description, "CreationDate": None, "Creator": None, "Producer": None}
        FigureCanvasPdf(sheet).print_pdf(into, metadata=about)  # type: ignore[no-untyped-call]
    else:
        sheet.dpi = PNG_PIXELS_PER_INCH
        about = {"Description": description, "Software": None}
        FigureCanvasAgg(sheet).print_png(into, metadata=about)  # type: ignore[no-untyped-call]
    return into.getvalue().replace(b"<svg ", b'<svg role="img" ', 1) if form == "svg" else into.getvalue()
