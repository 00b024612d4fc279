"""Reasons why an input does not count, each with its stable slug and the FHIR issue type that it is listed under."""

from __future__ import annotations

from enum import Enum

__all__ = ["ISSUE_TYPES", "Reason"]


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
