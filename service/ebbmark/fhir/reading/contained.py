"""Observations that stand within other resources: contained in a panel or a DiagnosticReport.

Each counts as an Observation of its own, named by its container and its id there. Where it names no subject, the
container's holds. A container that was taken back takes its content with it.
Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/references.html#contained, /diagnosticreport.html.
"""

from __future__ import annotations

import msgspec

from ebbmark.fhir.model import DiagnosticReport, Meta, Observation, Reference
from ebbmark.fhir.reading.versions import Received
from ebbmark.fhir.reasons import Reason
from ebbmark.fhir.references import reference_to
from ebbmark.fhir.sources import Ignored

__all__ = ["contained_observations"]

_TAKEN_BACK = frozenset({"entered-in-error", "cancelled"})
_MOST = 500


def contained_observations(
    container: Observation | DiagnosticReport, path: str, full_url: str
) -> tuple[list[Received], list[Ignored]]:
    """The Observations within a resource, and those that cannot be read.

    Args:
        container: a panel or a report.
        path: its FHIRPath.
        full_url: its fullUrl, or empty.
    """
    kind = type(container).__name__
    try:
        meta, subject_of = msgspec.convert((container.meta, container.subject), tuple[Meta | None, Reference | None])
    except msgspec.ValidationError:
        meta = subject_of = None
    named = reference_to(kind, container.id, meta.versionId if meta else "", full_url)
    listed = container.contained if isinstance(container.contained, list) else []
    found: list[Received] = []
    left: list[Ignored] = []
    for number, one in enumerate(listed[:_MOST]):
        if not isinstance(one, dict) or one.get("resourceType") != "Observation":
            continue
        where = f"{path}.contained[{number}]"
        why = _why_not(container, one)
        if why is not None:
            left.append(Ignored(where, named, *why))
            continue
        try:
            observation = msgspec.convert(one, Observation)
        except (msgspec.ValidationError, RecursionError):
            sentence = "A contained Observation is not in the shape of FHIR R4."
            left.append(Ignored(where, named, Reason.NOT_A_QUANTITY.slug, sentence))
            continue
        subject = observation.subject or subject_of
        place = f"{named}#{observation.id or number}" if named else ""
        # An id within a container is no logical id: another container may have the same.
        whole = msgspec.structs.replace(observation, id="", meta=None, subject=subject)
        found.append(Received(whole, where, place))
    return found, left


def _why_not(container: Observation | DiagnosticReport, one: dict[str, object]) -> tuple[str, str] | None:
    if isinstance(container.status, str) and container.status in _TAKEN_BACK:
        return Reason.ENTERED_IN_ERROR.slug, f"The {type(container).__name__} that contains it was taken back."
    if container.modifierExtension or container.implicitRules:
        return Reason.MODIFIER_EXTENSION.slug, "Its container carries a modifier extension that is not known here."
    if one.get("contained"):
        return Reason.NOT_USED.slug, "FHIR R4 does not allow contained resources within one another."
    return None
