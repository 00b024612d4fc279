"""FHIR references and whether two name the same resource: relative, absolute, urn:uuid and versioned forms.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/references.html#literal.
"""

from __future__ import annotations

__all__ = ["LONGEST_ID", "reference_to", "tail_of", "unversioned"]


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
