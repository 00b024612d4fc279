"""Systems of codes and identifiers, and FHIR references: whether two name the same resource.

Our own addresses end in `.example` on purpose: that top-level domain is reserved (RFC 2606), so they name things and
lead nowhere.

A reference may be relative, absolute, a urn:uuid or versioned. Source: FHIR R4 4.0.1,
https://hl7.org/fhir/R4/references.html#literal.
"""

from __future__ import annotations

__all__ = [
    "BASE",
    "CODE_SYSTEM",
    "LOINC",
    "LONGEST_ID",
    "MDC",
    "REQUEST_SYSTEM",
    "RESULT_SYSTEM",
    "SNOMED",
    "reference_to",
    "tail_of",
    "unversioned",
]

LOINC = "http://loinc.org"
MDC = "urn:iso:std:iso:11073:10101"
SNOMED = "http://snomed.info/sct"

BASE = "https://ebbmark.example/fhir"
"""Namespace of everything that we define; an identifier, not an address."""

CODE_SYSTEM = f"{BASE}/CodeSystem/ebbmark"

RESULT_SYSTEM = f"{BASE}/sid/result"
"""System of the identifier `<identity>:<kind>` of every result."""

REQUEST_SYSTEM = f"{BASE}/sid/request"
"""System of the identity itself, as the identifier of what was asked."""


LONGEST_ID = 64
"""Longest id of a FHIR resource (FHIR R4 datatypes, id); a longer one names nothing."""


def unversioned(reference: str) -> str:
    """The reference without `/_history/…`."""
    return reference.partition("/_history/")[0]


def tail_of(reference: str) -> str:
    """`Type/id` of a literal reference in any form; a urn as it is."""
    plain = unversioned(reference)
    if plain.startswith("urn:"):
        return plain
    return "/".join(plain.rstrip("/").split("/")[-2:])


def reference_to(kind: str, identity: str, version: str, full_url: str) -> str:
    """How results name a resource: `Type/id/_history/version`, `Type/id`, its fullUrl, or nothing."""
    if not identity or len(identity) > LONGEST_ID:
        return full_url
    return f"{kind}/{identity}/_history/{version}" if version else f"{kind}/{identity}"
