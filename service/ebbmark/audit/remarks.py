"""Which inputs did a stored answer leave out, and how did it read the others? Its remarks, taken at their word.

Remarks about inputs that were not used cannot be computed again, but the page of a report shows them: it is made again
from the remarks that are stored beside it, so that page and remarks vouch for one another.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace

from ebbmark.fhir.recommendation import Recommendation
from ebbmark.fhir.sources import Ignored
from ebbmark.fhir.writing.normal_form import NormalForm

__all__ = ["ALL_READ", "with_stored_remarks"]

ALL_READ = "none was left out."
"""End of the remark that stands where there is nothing to list."""

_NAMED = re.compile(r"((?:[A-Z][A-Za-z]+/|urn:|https?://)\S+): (.*)", re.DOTALL)


def with_stored_remarks(recommendation: Recommendation, stored: NormalForm) -> Recommendation:
    """The answer with the remarks of a stored one instead of its own.

    Args:
        recommendation: computed again.
        stored: the stored answer.
    """
    ignored, notes = [], []
    for text, path in _remarks(stored):
        if path:
            named = _NAMED.fullmatch(text)
            reference, reason = named.groups() if named else ("", text)
            ignored.append(Ignored(path, reference, "", reason))
        elif not text.endswith(ALL_READ):
            notes.append(text)
    request = replace(recommendation.request, notes=tuple(notes))
    return replace(recommendation, ignored=tuple(ignored), request=request)


def _remarks(stored: NormalForm) -> Iterator[tuple[str, str]]:
    """Text of each remark, and where in the request the input stood that it is about; empty for none."""
    issues = stored.parts.get("outcome", {}).get("issue")
    for issue in issues if isinstance(issues, list) else []:
        details = issue.get("details") if isinstance(issue, Mapping) else None
        text = details.get("text") if isinstance(details, Mapping) else None
        places = issue.get("expression") if isinstance(issue, Mapping) else None
        yield str(text or ""), str(places[0]) if isinstance(places, list) and places else ""
