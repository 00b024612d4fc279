"""How does an answer look on paper? One page, tagged for readers that speak, the same bytes on every machine.

Typeset by typst with the typefaces it brings along, from a template that gets every text as a value. What does not fit
at the largest type is set smaller, then shortened with the number of what was left out; there is never a second page.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from importlib.resources import files

import msgspec

from ebbmark.fhir.recommendation import Recommendation
from ebbmark.views.content import figure_of
from ebbmark.views.drawing import draw
from ebbmark.views.field import Aspect
from ebbmark.views.sheet_values import sheet_values

__all__ = ["FIGURE", "LOW_FIGURE", "report_pdf"]

ALL = 10_000
MOST_EVIDENCE, LEAST_EVIDENCE = 14, 4
LEVELS = (
    *({"size": size, "rows": ALL, "cautions": ALL, "reasons": ALL, "general": ALL} for size in (8.0, 7.5, 7.0)),
    *(
        {"size": 7.0, "rows": ALL, "cautions": ALL, "reasons": 8, "general": kept}
        for kept in range(MOST_EVIDENCE, LEAST_EVIDENCE - 1, -1)
    ),
    {"size": 6.5, "rows": ALL, "cautions": 14, "reasons": 5, "general": LEAST_EVIDENCE},
    {"size": 6.5, "rows": ALL, "cautions": 10, "reasons": 4, "general": LEAST_EVIDENCE},
    {"size": 6.5, "rows": 30, "cautions": 8, "reasons": 3, "general": LEAST_EVIDENCE},
    {"size": 6.0, "rows": 25, "cautions": 5, "reasons": 2, "general": LEAST_EVIDENCE},
)
"""Size of the type [pt] and how much of each list is kept, from the fullest page to the shortest."""


FIGURE = Aspect(
    width_in=6.2, axis_in=0.56, beside_in=1.44, curve_in=1.6, bars_in=0.6, text_pt=9.0, small_pt=8.2, alone=False
)
LOW_FIGURE = replace(FIGURE, curve_in=1.3, bars_in=0.5)
"""The figure on the sheet; lower where there are many steps. Smaller than alone, its type that of the sheet."""

MANY_STEPS = 12
"""Above this the step table needs what the figure can spare."""


def report_pdf(recommendation: Recommendation, *, recorded_s: float) -> bytes:
    """Typeset the answer on one A4 page; the same bytes for the same input.

    Args:
        recommendation: the answer.
        recorded_s: when the answer is recorded, and the date of the document [s since 1970-01-01T00:00:00Z].
    """
    # Loaded with the first report: most commands never need it.
    import typst

    recorded = datetime.fromtimestamp(int(recorded_s), UTC)
    figure = figure_of(recommendation)
    aspect = LOW_FIGURE if len(figure.steps) > MANY_STEPS else FIGURE
    values = {
        **sheet_values(recommendation, recorded_s=recorded_s),
        "figure": draw(figure, aspect=aspect).decode(),
        "date": {
            "year": recorded.year,
            "month": recorded.month,
            "day": recorded.day,
            "hour": recorded.hour,
            "minute": recorded.minute,
            "second": recorded.second,
        },
    }
    made = typst.compile(
        files("ebbmark.views").joinpath("sheet.typ").read_bytes(),
        ignore_system_fonts=True,
        format="pdf",
        sys_inputs={"data": msgspec.json.encode(values).decode(), "levels": msgspec.json.encode(LEVELS).decode()},
        pdf_standards=["ua-1"],
        timestamp=int(recorded_s),
    )
    return bytes(made)
