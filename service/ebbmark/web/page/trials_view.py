"""Earlier trials of this patient: what each said, and whether anything changed by more than noise."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from ebbmark.fhir.writing.statements import Answer
from ebbmark.web.page.words import span

__all__ = ["TrialsView", "trials_view"]


@dataclass(frozen=True, slots=True)
class TrialsView:
    """All trials of the record.

    Attributes:
        sentence: what they say together.
        rows: when and what, earliest first; empty where there is only one.
        changes: one sentence per pair.
    """

    sentence: str
    rows: tuple[tuple[str, str], ...]
    changes: tuple[str, ...]


def trials_view(answer: Answer, *, zone: tzinfo) -> TrialsView:
    """Put the answer to the question about trials in words.

    Args:
        answer: of `$follow-trials`.
        zone: of the site.
    """
    trials = [one for one in answer.statements if one.code == "trial-in-record"]
    rows = tuple((span(*(one.span_s or answer.span_s), zone), one.note) for one in trials)
    changes = tuple(one.note for one in answer.statements if one.code == "change-between-trials")
    return TrialsView(answer.said[0], rows if len(rows) > 1 else (), changes)
