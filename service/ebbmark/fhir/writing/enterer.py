"""The person who chose to put an answer into a record, as its Provenance names them.

Recording is a human act: beside the software, which assembled the answer, stands whoever entered it. A person of the
record is named by reference; one who is known elsewhere only, by a logical reference that holds their address, since a
record cannot follow it.

Source: FHIR R4 provenance.html (agent.type, agent.who), codesystem-provenance-participant-type (`enterer`: a person
entering the data into the originating system); references.html#logical.
"""

from __future__ import annotations

import re

from ebbmark.fhir.references import unversioned
from ebbmark.fhir.writing.terms import standard

__all__ = ["ENTERER", "URI_SYSTEM", "enterer_agent", "person_who_enters"]

ENTERER = "enterer"
"""Code of provenance-participant-type."""

URI_SYSTEM = "urn:ietf:rfc:3986"
"""RFC 3986 as a system is how FHIR spells "the value is itself a URI"."""

_TYPE = standard("provenance-participant-type", ENTERER, "Enterer")
_PERSON = re.compile(r"(?:Practitioner|PractitionerRole|RelatedPerson|Patient)/[A-Za-z0-9\-.]{1,64}")
_ELSEWHERE = re.compile(r"https?://[!-~]{1,500}")


def person_who_enters(fhir_user: str, *, base_url: str) -> str | None:
    """The reference by which a Provenance names a person.

    Args:
        fhir_user: as SMART's `fhirUser` says: `Practitioner/1`, or its address.
        base_url: FHIR base URL of the record.

    Returns:
        `Practitioner/1` for a person of this record, the address for one of another system, None for what is neither.
    """
    plain = unversioned(fhir_user)
    own = plain.removeprefix(base_url.rstrip("/") + "/") if base_url else plain
    if _PERSON.fullmatch(own):
        return own
    return plain if _ELSEWHERE.fullmatch(plain) else None


def enterer_agent(reference: str) -> dict[str, object]:
    """FHIR R4 Provenance.agent of the person who enters.

    Args:
        reference: as `person_who_enters` gives it.
    """
    if _PERSON.fullmatch(reference):
        return {"type": _TYPE, "who": {"reference": reference}}
    return {"type": _TYPE, "who": {"identifier": {"system": URI_SYSTEM, "value": reference}}}
