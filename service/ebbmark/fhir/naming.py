"""Systems of codes and identifiers, and FHIR references: whether two name the same resource.

Our own addresses end in `.example` on purpose: that top-level domain is reserved (RFC 2606), so they name things and
lead nowhere. A site that publishes our definitions keeps the identifiers as they are. A reference may be relative,
absolute, a urn:uuid or versioned.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/references.html#literal.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

LOINC = "http://loinc.org"
MDC = "urn:iso:std:iso:11073:10101"
SNOMED = "http://snomed.info/sct"

ICD10, ICD10_CM = "http://hl7.org/fhir/sid/icd-10", "http://hl7.org/fhir/sid/icd-10-cm"
ALL_ICD = (ICD10, ICD10_CM, *(f"http://fhir.de/CodeSystem/{one}/icd-10-gm" for one in ("bfarm", "dimdi")))
"""ICD-10 of the WHO, and its national versions that are read (`ICD` of `data/condition_codes.toml`)."""

BASE = "https://ebbmark.example/fhir"
"""Namespace of everything that we define; an identifier, not an address."""

DEFINITIONS_DATE = "2026-11-25"
"""When the definitions that are published under it last changed."""

CODE_SYSTEM = f"{BASE}/CodeSystem/ebbmark"

RESULT_SYSTEM = f"{BASE}/sid/result"
"""System of the identifier `<identity>:<kind>` of every result."""

REQUEST_SYSTEM = f"{BASE}/sid/request"
"""System of the identity itself, as the identifier of what was asked."""


LONGEST_ID = 64
"""Longest id of a FHIR resource (FHIR R4 datatypes, id); a longer one names nothing."""


IDS = re.compile(r"[A-Za-z0-9\-.]*")
"""Characters of an id (FHIR R4 datatypes, id), or of several one behind another."""


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
    if not 0 < len(identity) <= LONGEST_ID or not IDS.fullmatch(identity):
        return full_url
    return f"{kind}/{identity}/_history/{version}" if version and IDS.fullmatch(version) else f"{kind}/{identity}"


WRITTEN_TYPES = (
    "Device",
    "Observation",
    "GuidanceResponse",
    "DetectedIssue",
    "DiagnosticReport",
    "Provenance",
    "List",
    "CarePlan",
    "RequestGroup",
    "DeviceRequest",
)
"""Resource types that this service writes."""


@dataclass(frozen=True, slots=True)
class AcceptedWrites:
    """What a record takes of what this service writes.

    Attributes:
        most_creates: most conditional creates in one transaction; None for no such limit.
    """

    types: frozenset[str] = frozenset(WRITTEN_TYPES)
    most_creates: int | None = None

    @property
    def carries_changes(self) -> bool:
        """Whether the Provenance over a change of stored results goes into one of them."""
        return "Provenance" not in self.types or self.most_creates is not None

    @property
    def everything(self) -> bool:
        """Whether nothing has to be carried inside something else."""
        return self == ACCEPTS_EVERYTHING


ACCEPTS_EVERYTHING = AcceptedWrites()
"""A record that takes all of it."""

URI_SYSTEM = "urn:ietf:rfc:3986"
"""RFC 3986 as a system is how FHIR spells "the value is itself a URI"."""


PROVENANCE = "provenance"
"""Kind of the Provenance over the results."""


SOFTWARE_SYSTEM = f"{BASE}/sid/software"


PROTOCOL_SYSTEM = f"{BASE}/sid/protocol"


DIGEST_SYSTEM = f"{BASE}/sid/input-digest"


REPORT = "report"
"""Kind of the DiagnosticReport."""


REPORT_PROVENANCE = "report-provenance"
"""Kind of the Provenance over it."""


ANSWER_PROVENANCES = (PROVENANCE, REPORT_PROVENANCE)
"""Kinds of all Provenances over an answer."""


def operation_url(slug: str) -> str:
    """Canonical address of an operation; an identifier, not an address."""
    return f"{BASE}/OperationDefinition/{slug}"
