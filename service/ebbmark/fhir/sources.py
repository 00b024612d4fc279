"""The inputs of an answer: each one that counts, named and in canonical text, and each one that does not, and why.

Also the site's own codes under which inputs came, with what they were read as, and the reasons why an input does not
count, each with its stable slug and the FHIR issue type that it is listed under.
"""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

import msgspec

__all__ = ["ISSUE_TYPES", "Ignored", "MappedCode", "Reason", "Source"]


class Reason(Enum):
    """One row per reason: slug, FHIR issue type (https://hl7.org/fhir/R4/codesystem-issue-type.html)."""

    SUPERSEDED = ("superseded", "duplicate")
    DUPLICATE = ("duplicate", "duplicate")
    CONFLICT = ("conflicting-values", "conflict")
    ENTERED_IN_ERROR = ("entered-in-error", "deleted")
    CANCELLED = ("cancelled", "deleted")
    REGISTERED = ("registered", "incomplete")
    STATUS_UNKNOWN = ("status-unknown", "business-rule")
    PRELIMINARY = ("preliminary", "business-rule")
    MODIFIER_EXTENSION = ("modifier-extension", "extension")
    IMPLICIT_RULES = ("implicit-rules", "not-supported")
    OWN_RESULT = ("own-result", "informational")
    OTHER_SUBJECT = ("other-subject", "business-rule")
    UNKNOWN_CODE = ("unknown-code", "code-invalid")
    CODINGS_DISAGREE = ("codings-disagree", "conflict")
    SETTING_UNCLEAR = ("setting-or-measurement", "conflict")
    NOT_USED = ("not-used", "informational")
    GROUP = ("group-without-values", "informational")
    NO_VALUE = ("no-value", "value")
    DATA_ABSENT = ("data-absent", "incomplete")
    NOT_A_QUANTITY = ("not-a-quantity", "value")
    COMPARATOR = ("comparator", "value")
    UNIT_MISSING = ("unit-missing", "value")
    UNIT_UNKNOWN = ("unit-unknown", "value")
    OUT_OF_RANGE = ("out-of-range", "value")
    NO_TIME = ("no-time", "value")
    DATE_ONLY = ("date-only", "value")
    NO_ZONE = ("no-zone", "value")
    INVALID_TIME = ("invalid-time", "value")
    TIMING = ("timing", "not-supported")
    PERIOD = ("period-unusable", "value")
    FUTURE = ("in-the-future", "value")
    HEIGHT_NOT_CHOSEN = ("height-not-chosen", "informational")
    NOT_CODED = ("not-coded", "value")
    SEX_NOT_CHOSEN = ("sex-not-chosen", "informational")
    NOTHING_TO_READ = ("nothing-to-read", "informational")

    def __init__(self, slug: str, issue_type: str) -> None:
        self.slug = slug
        self.issue_type = issue_type


ISSUE_TYPES: dict[str, str] = {reason.slug: reason.issue_type for reason in Reason}
"""FHIR issue type by slug; reasons of other rooms are listed as `informational`."""


class Source(msgspec.Struct, frozen=True, gc=False):
    """One input resource, named as exactly as it can be.

    Attributes:
        path: FHIRPath of the resource in the request, for example `Bundle.entry[3].resource`.
        reference: `Observation/12/_history/3` where the version is known, else `Observation/12`, else its
            fullUrl, else empty: then only `path` names it.
        value: what was read from it, as canonical text (for the digest): one item per value,
            `slug|value|unit|start|end`, joined by `;`.
    """

    path: str
    reference: str
    value: str


class Ignored(msgspec.Struct, frozen=True, gc=False):
    """One input that does not count, and why.

    Attributes:
        path: FHIRPath of the resource or element.
        reference: as in Source; may be empty.
        code: stable slug of the reason, for example `entered-in-error`.
        reason: one plain sentence.
    """

    path: str
    reference: str
    code: str
    reason: str


class MappedCode(NamedTuple):
    """One code of a site, and the code of our table that its ConceptMap equates with it.

    Attributes:
        system: the site's code system.
        code: the site's code.
        target_system: code system of our table.
        target_code: code of our table.
        used: whether an Observation that counts has this code.
    """

    system: str
    code: str
    target_system: str
    target_code: str
    used: bool
