"""Systems of codes and identifiers: those of the standards that are read, and those of our own results.

Our own addresses end in `.example` on purpose: that top-level domain is reserved (RFC 2606), so they name things and
lead nowhere.
"""

from __future__ import annotations

__all__ = ["BASE", "CODE_SYSTEM", "LOINC", "MDC", "REQUEST_SYSTEM", "RESULT_SYSTEM", "SNOMED"]

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
