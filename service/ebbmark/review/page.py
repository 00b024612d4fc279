"""The report as one self-contained page and as a PDF; both show the same contents.

The page follows light, dark and print; on paper colours are those of light.
"""

from __future__ import annotations

import re
from dataclasses import fields
from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from ebbmark.review.contents import Section, contents_of
from ebbmark.review.model import Report
from ebbmark.views.drawing import LIGHT
from ebbmark.views.sheet import settable, typeset

ROWS_ON_PAPER = 40

LONGEST_WORD = 16

CHARACTERS_ACROSS = 105
"""Of the type that tables are set in, on a line of A4."""

BREAK = "\u200b"
"""A place at which a line may be broken, without width."""


def page_of(report: Report, *, folder: str, style: str, record: str = "") -> str:
    """The whole page, without a link to anything else.

    Args:
        record: base URL of the record, to which cases then link; empty for none.
    """
    template = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True).from_string(
        (files("ebbmark.review") / "page.html").read_text(encoding="utf-8")
    )
    contents = contents_of(report, folder, record)
    said = {one.name: getattr(contents, one.name) for one in fields(contents)}
    return template.render(style=Markup(style), **said)  # noqa: S704


def pdf_of(report: Report, *, folder: str) -> bytes:
    """The same as PDF on A4, no type below 9 pt; of each table the first rows. The same report gives the same bytes."""
    contents = contents_of(report, folder, "")
    shown = {
        "title": contents.title,
        "folder": settable(contents.folder),
        "months": contents.months,
        "lead": contents.lead,
        "first": [settable(one) for one in contents.first],
        "failed": contents.failed,
        "sections": [_section_on_paper(one) for one in contents.sections],
        "limits": [settable(one) for one in contents.limits],
        "footer": contents.footer,
    }
    return typeset((files("ebbmark.review") / "report.typ").read_bytes(), shown, written_s=0)


def _on_paper(chart: str) -> str:
    """A chart with colours in place of roles."""

    def paint(found: re.Match[str]) -> str:
        return f'{"fill" if found[1] == "fill" else "stroke"}="{getattr(LIGHT, found[2])}"'

    drawn = re.sub(r'class="(fill|line)-([a-z]+)"', paint, chart)
    return drawn.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" font-family="Libertinus Serif" ', 1)


def _section_on_paper(section: Section) -> dict[str, object]:
    heads = [settable(head) for head in section.columns]
    rows = [
        [_breakable(settable(_in_short(*cell))) for cell in zip(row, heads, strict=True)]
        for row in section.rows[:ROWS_ON_PAPER]
    ]
    return {
        "title": settable(section.title),
        "note": settable(section.note),
        "said": settable(section.said),
        "charts": [{"told": told, "svg": _on_paper(chart)} for told, chart in section.charts],
        "heads": heads,
        "widths": _widths([heads, *rows]),
        "words": section.words,
        "rows": rows,
        "more": max(len(section.rows) - ROWS_ON_PAPER, 0),
        "file": f"{section.name}.csv",
    }


def _in_short(cell: str, head: str) -> str:
    """A cell as it stands on paper: an answer by the first digits of its identity, as on its own sheet."""
    if head == "answer":
        return cell[:16]
    return cell.replace("T", " ").removesuffix("Z") if head == "ended" else cell


def _breakable(text: str) -> str:
    """The same, so that no word needs more than a narrow column."""
    words = [re.sub(r"(?<=[._/:])(?=\S)", BREAK, one) if len(one) > LONGEST_WORD else one for one in text.split(" ")]
    return re.sub(
        rf"[^ {BREAK}-]{{{LONGEST_WORD + 1},}}",
        lambda word: BREAK.join(re.findall(rf".{{1,{LONGEST_WORD}}}", word[0])),
        " ".join(words),
    )


def _widths(rows: list[list[str]]) -> list[float] | None:
    """Share of each column in the width: its longest word, and of what is left more where texts are long.

    None where every column has room for its longest text.
    """
    columns = list(zip(*rows, strict=True))
    longest = [max(len(cell) for cell in column) for column in columns]
    if sum(longest) + 2 * len(columns) < CHARACTERS_ACROSS:
        return None
    least = [2 + max(len(one) for cell in column for one in re.split(rf"[ {BREAK}-]", cell)) for column in columns]
    spare = max(CHARACTERS_ACROSS - sum(least), 0) / sum(longest)
    return [one + spare * text for one, text in zip(least, longest, strict=True)]
