"""The answer as a document: a preliminary DiagnosticReport that carries it on paper, and its origin.

The report is asked for apart from the results, at once with them or later by somebody else. So it has a Provenance of
its own: who asked for it and when, which also stands in `issued` and on the page. The identity of the answer covers it
like any other result.

No LOINC code for a report on a PEEP trial was found, so its code is our own; the category is HL7's for respiratory
care. R4 lets no Device be the performer. Source: FHIR R4 diagnosticreport.html; datatypes.html#Attachment (`hash`:
SHA-1 of the data before base64; `size`: bytes before base64).
"""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha1

from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.frame import Frame
from ebbmark.fhir.writing.provenance import PROVENANCE, stamped
from ebbmark.fhir.writing.terms import OWN, standard

__all__ = ["ANSWER_PROVENANCES", "REPORT", "REPORT_PROVENANCE", "report_entries"]

REPORT = "report"
"""Kind of the DiagnosticReport."""

REPORT_PROVENANCE = "report-provenance"
"""Kind of the Provenance over it."""

ANSWER_PROVENANCES = (PROVENANCE, REPORT_PROVENANCE)
"""Kinds of all Provenances over an answer."""

_CATEGORY = standard("v2-0074", "RC", "Respiratory Care (therapy)")


def report_entries(
    frame: Frame, pdf: bytes, conclusion: str, recorded_s: float, enterer: str | None
) -> list[tuple[str, object]]:
    """The report and its Provenance, with their kinds.

    Args:
        frame: the shared parts of the answer.
        pdf: the page.
        conclusion: the answer in one or two sentences.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z].
        enterer: the person who chose to record it, as `person_who_enters` gives it; None where none did.
    """
    entity = {"role": "source", "what": frame.to("guidance")}
    provenance = stamped(frame, REPORT_PROVENANCE, [frame.to(REPORT)], [entity], recorded_s, enterer)
    return [(REPORT, _report(frame, pdf, conclusion, recorded_s)), (REPORT_PROVENANCE, provenance)]


def _report(frame: Frame, pdf: bytes, conclusion: str, recorded_s: float) -> dict[str, object]:
    statements, operation = frame.answer.statements, BY_SLUG[frame.answer.operation]
    title = f"{'PEEP trial' if operation is TITRATE_PEEP else operation.title}, preliminary report"
    # What these group (steps, margins) is named by them.
    grouped = {kind for one in statements for kind in one.members}
    results = [frame.to(one.kind) for one in statements if one.kind not in grouped]
    start, end = map(instant, frame.answer.span_s)
    return {
        "resourceType": "DiagnosticReport",
        "identifier": [frame.identifier(REPORT)],
        "status": "preliminary",
        "category": [_CATEGORY],
        "code": OWN["peep-trial-report"],
        "subject": frame.subject,
        **({"encounter": frame.encounter} if frame.encounter is not None else {}),
        "effectivePeriod": {"start": start, "end": end},
        "issued": instant(recorded_s),
        **({"result": results} if results else {}),
        "conclusion": conclusion,
        "presentedForm": [
            {
                "contentType": "application/pdf",
                "language": "en",
                "data": b64encode(pdf).decode(),
                "size": len(pdf),
                "hash": b64encode(sha1(pdf, usedforsecurity=False).digest()).decode(),
                "title": title,
            }
        ],
    }
