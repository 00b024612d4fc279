"""How does the answer leave? One Bundle to read, the same resources as one transaction to write to a record.

Same recommendation, same bytes: full URLs come from the identity, times from the trial. The instant of recording
stands in `Provenance.recorded` (and in the report, if there is one) and nowhere else, and who chose to record it in
`Provenance.agent`.
"""

from __future__ import annotations

import msgspec

from ebbmark.fhir.codesystem import BASE
from ebbmark.fhir.recommendation import Recommendation
from ebbmark.fhir.writing.frame import REQUEST_SYSTEM, Frame
from ebbmark.fhir.writing.issues import caution_kinds, detected_issue, outcome, with_source
from ebbmark.fhir.writing.provenance import PROVENANCE, device, provenance
from ebbmark.fhir.writing.report import report_entries
from ebbmark.fhir.writing.results import results
from ebbmark.fhir.writing.sentences import protocol_sentence
from ebbmark.fhir.writing.transaction import as_transaction

__all__ = ["OPERATION", "as_transaction", "write_bundle", "write_bundle_bytes"]

OPERATION = f"{BASE}/OperationDefinition/titrate-peep"
"""Canonical address of the operation; an identifier, see codesystem."""

_ENCODER = msgspec.json.Encoder()
_SIGNING = "Every result is preliminary until a clinician has signed it."
_PRELIMINARY_INPUTS = "At least one reading that was used is itself preliminary in the record."


class _Entry(msgspec.Struct, rename="camel"):
    full_url: str
    resource: object


class _Bundle(msgspec.Struct, kw_only=True, tag_field="resourceType", tag="Bundle"):
    type: str = "collection"
    entry: list[_Entry]


def write_bundle_bytes(
    recommendation: Recommendation, *, recorded_s: float, enterer: str | None = None, report_pdf: bytes | None = None
) -> bytes:
    """The answer as FHIR R4 JSON: a Bundle of type collection.

    Args:
        recommendation: the answer.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z].
        enterer: the person who chose to record it, as `person_who_enters` gives it; None where none did.
        report_pdf: the answer as a page, for a DiagnosticReport; None where none was asked for.
    """
    frame = Frame(recommendation)
    judged: list[tuple[str, object]] = [("guidance", _guidance(frame)), *results(frame)]
    judged += [
        (kind, detected_issue(frame, kind, caution)) for kind, caution in caution_kinds(recommendation.advice.cautions)
    ]
    targets = [frame.to(kind) for kind, _ in judged]
    written = [
        *judged,
        ("device", device(recommendation.engine_version)),
        (PROVENANCE, provenance(frame, targets, recorded_s, enterer)),
        *(report_entries(frame, report_pdf, recorded_s, enterer) if report_pdf is not None else ()),
        ("outcome", outcome(frame)),
    ]
    return _ENCODER.encode(_Bundle(entry=[_Entry(frame.full_url(kind), resource) for kind, resource in written]))


def write_bundle(
    recommendation: Recommendation, *, recorded_s: float, enterer: str | None = None, report_pdf: bytes | None = None
) -> dict[str, object]:
    """The same answer as plain JSON values.

    Args:
        recommendation: the answer.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z].
        enterer: the person who chose to record it, as `person_who_enters` gives it; None where none did.
        report_pdf: the answer as a page, for a DiagnosticReport; None where none was asked for.
    """
    body = write_bundle_bytes(recommendation, recorded_s=recorded_s, enterer=enterer, report_pdf=report_pdf)
    return msgspec.json.decode(body, type=dict[str, object])


def _guidance(frame: Frame) -> dict[str, object]:
    """FHIR R4 GuidanceResponse: that the question was answered, when the data ended, and what is always true."""
    recommendation = frame.recommendation
    notes = [recommendation.advice.rationale, _SIGNING]
    if recommendation.request.preliminary_inputs:
        notes.append(_PRELIMINARY_INPUTS)
    notes.append(protocol_sentence(recommendation.request))
    notes += [with_source(caution) for caution in recommendation.advice.cautions if not caution.of_this_patient]
    guidance: dict[str, object] = {
        "resourceType": "GuidanceResponse",
        "requestIdentifier": {"system": REQUEST_SYSTEM, "value": recommendation.identity},
        "identifier": [frame.identifier("guidance")],
        "moduleUri": OPERATION,
        "status": "success",
        "subject": frame.subject,
        "occurrenceDateTime": frame.end,
        "performer": frame.device,
        "note": [{"text": note} for note in notes],
        "evaluationMessage": [frame.to("outcome")],
    }
    if frame.encounter is not None:
        guidance["encounter"] = frame.encounter
    return guidance
