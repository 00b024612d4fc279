"""What became of each input, and what can be wrong with a request.

Each input that counts is named in canonical text; each that does not, with its reason, which has a stable slug and the
FHIR issue type that it is listed under. Beside them stand the site's own codes under which inputs came. Every problem
has its sentence and the HTTP status that it carries.

A refusal repeats numbers, and words that are known here, since any other may be a name. Everything else is told by its
place (FHIRPath) and its kind.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Final, NamedTuple

import msgspec
from msgspec.structs import replace


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
    """

    path: str
    reference: str
    code: str
    reason: str


class MappedCode(NamedTuple):
    """One code of a site, and the code of our table that its ConceptMap equates with it.

    Attributes:
        target_system: code system of our table.
    """

    system: str
    code: str
    target_system: str
    target_code: str


_TRANSIENT: Final = frozenset(
    {"transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled"}
)


class ProblemKind(Enum):
    """One row per kind: slug, FHIR issue type, HTTP status, and where it is found.

    400 cannot be read; 412 and 413 are too little and too much; 422 can be read, not used; 502 the record behind us
    failed. Issue types:
    https://hl7.org/fhir/R4/codesystem-issue-type.html.
    """

    # the body
    NOT_JSON = ("not-json", "structure", 400, "reading")
    NOT_UTF8 = ("not-utf-8", "structure", 400, "reading")
    XML = ("xml", "structure", 400, "reading")
    REPEATED_KEY = ("repeated-key", "structure", 400, "reading")
    NOT_A_JSON_NUMBER = ("not-a-json-number", "structure", 400, "reading")
    TOO_DEEP = ("too-deep", "structure", 400, "reading")
    TOO_LARGE = ("too-large", "too-long", 413, "reading")
    TOO_MANY_ENTRIES = ("too-many-entries", "too-costly", 413, "reading")
    # the shape
    NOT_FHIR = ("not-fhir", "structure", 400, "reading")
    WRONG_TYPE = ("wrong-type", "structure", 400, "reading")
    NOT_AN_ID = ("not-an-id", "value", 400, "reading")
    IMPLICIT_RULES = ("implicit-rules", "not-supported", 422, "reading")
    ELEMENT_MISSING = ("element-missing", "structure", 400, "reading")
    TWO_VALUES = ("two-values", "invariant", 422, "reading")
    INVALID_CODE = ("invalid-code", "code-invalid", 422, "reading")
    BUNDLE_TYPE = ("bundle-type", "not-supported", 422, "reading")
    # the parameters
    UNKNOWN_PARAMETER = ("unknown-parameter", "not-supported", 422, "reading")
    REPEATED_PARAMETER = ("repeated-parameter", "multiple-matches", 422, "reading")
    BAD_PARAMETER = ("bad-parameter", "value", 422, "reading")
    CODE_MAP = ("code-map", "code-invalid", 422, "reading")
    # the patient
    PATIENT_MODIFIED = ("patient-modified", "extension", 422, "reading")
    PATIENT_REPLACED = ("patient-replaced", "business-rule", 422, "reading")
    MIXED_PATIENTS = ("mixed-patients", "conflict", 422, "reading")
    SEX_NEEDED = ("sex-needed", "required", 422, "reading")
    SEX_CONFLICT = ("sex-conflict", "conflict", 422, "reading")
    CHILD = ("child", "business-rule", 422, "reading")
    AGE_UNCLEAR = ("age-unclear", "business-rule", 422, "reading")
    PATIENT_DIED = ("patient-died", "business-rule", 422, "trial")
    MISSING = ("missing", "required", 422, "reading")
    HEIGHT_UNIT = ("height-unit", "value", 422, "reading")
    HEIGHT_RANGE = ("height-range", "value", 422, "reading")
    HEIGHT_CONFLICT = ("height-conflict", "conflict", 422, "reading")
    # the readings
    WRONG_DIMENSION = ("wrong-dimension", "value", 422, "reading")
    TIME_UNUSABLE = ("time-unusable", "value", 422, "reading")
    # the trial
    NO_TRIAL = ("no-trial", "business-rule", 422, "trial")
    # the plan
    NO_PLAN = ("no-plan", "business-rule", 422, "plan")
    NOT_ACKNOWLEDGED = ("not-acknowledged", "business-rule", 422, "plan")
    # who asks
    NOT_SIGNED_IN = ("not-signed-in", "login", 401, "doors")
    NOT_PERMITTED = ("not-permitted", "forbidden", 403, "doors")
    TOO_OFTEN = ("too-often", "throttled", 429, "doors")
    SIGN_IN_UNAVAILABLE = ("sign-in-unavailable", "transient", 503, "doors")
    # the doors
    BAD_SEARCH = ("bad-search", "not-supported", 400, "doors")
    NOT_FOUND = ("not-found", "not-found", 404, "doors")
    METHOD_NOT_ALLOWED = ("method-not-allowed", "not-supported", 405, "doors")
    NOT_ACCEPTABLE = ("not-acceptable", "not-supported", 406, "doors")
    MEDIA_TYPE_NOT_TAKEN = ("media-type-not-taken", "not-supported", 415, "doors")
    BODY_LATE = ("body-late", "timeout", 408, "doors")
    FRAMING = ("framing", "structure", 400, "doors")
    BUSY = ("busy", "throttled", 503, "doors")
    OUT_OF_TIME = ("out-of-time", "timeout", 503, "doors")
    NO_RECORD = ("no-record", "not-supported", 422, "doors")
    TABLE = ("table", "structure", 400, "doors")
    HOOK_REQUEST = ("hook-request", "structure", 400, "doors")
    HOOK_NOT_SERVED = ("hook-not-served", "not-supported", 422, "doors")
    PREFETCH_MISSING = ("prefetch-missing", "required", 412, "doors")
    INTERNAL = ("internal", "exception", 500, "doors")
    # the record
    NOT_IN_RECORD = ("not-in-record", "not-found", 422, "record")
    AMBIGUOUS_TRIAL = ("ambiguous-trial", "multiple-matches", 422, "record")
    TOO_MUCH_IN_RECORD = ("too-much-in-record", "too-costly", 422, "record")
    RECORD_FAILED = ("record-failed", "incomplete", 502, "record")
    RECORD_ACCESS = ("record-access", "incomplete", 502, "record")

    def __init__(self, slug: str, issue_code: str, status: int, found_by: str) -> None:
        self.slug = slug
        self.issue_code = issue_code
        self.status = status
        self.found_by = found_by

    @property
    def is_transient(self) -> bool:
        """Whether the same request may succeed later: the issue types that FHIR places below `transient`."""
        return self.issue_code in _TRANSIENT


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that stops the request.

    Attributes:
        kind: which row of the table.
        expression: FHIRPath of the element; empty where the body as a whole is meant.
        found: what was found, never a name, birth date or identifier.
        sentence: the whole in one or two sentences that a nurse informaticist understands.
        retry_after_s: after how long a repeat makes sense, where that was said [s].
    """

    kind: ProblemKind
    expression: str
    found: str
    accepted: str
    sentence: str
    retry_after_s: float | None = None


class Rejected(Exception):
    """The request cannot be answered; carries every problem that was found, and every input that did not count."""

    def __init__(self, problems: tuple[Problem, ...], ignored: tuple[Ignored, ...] = ()) -> None:
        super().__init__("; ".join(problem.sentence for problem in problems))
        self.problems = problems
        self.ignored = ignored


def each_once(problems: Iterable[Problem]) -> list[tuple[Problem, int]]:
    """The first problem of each sentence, and how many more say the same of other elements."""
    groups: dict[tuple[ProblemKind, str], list[Problem]] = {}
    for problem in problems:
        groups.setdefault((problem.kind, problem.sentence.replace(problem.expression or "\0", "")), []).append(problem)
    return [(group[0], len(group) - 1) for group in groups.values()]


def status_of(problems: tuple[Problem, ...]) -> int:
    """HTTP status for these problems: the lowest-numbered, since what cannot be read comes first."""
    return min(problem.kind.status for problem in problems)


_REFERENCE = re.compile(r"[A-Za-z0-9\-.:/_]{1,400}")
"""FHIR R4 datatypes.html#id, in a reference; what else stands where an id belongs may be a name: not repeated."""


def operation_outcome(problems: tuple[Problem, ...], ignored: tuple[Ignored, ...] = ()) -> dict[str, object]:
    """FHIR R4 OperationOutcome: one error per problem, then one line per input that did not count."""
    issues = [_problem_issue(problem) for problem in problems]
    shown = (one if _REFERENCE.fullmatch(one.reference) else replace(one, reference="") for one in ignored)
    issues.extend(ignored_issue(one) for one in shown)
    return {"resourceType": "OperationOutcome", "issue": issues}


def ignored_issue(ignored: Ignored) -> dict[str, object]:
    """One OperationOutcome.issue for an input that did not count: a warning, or information where all is well."""
    issue_type = ISSUE_TYPES.get(ignored.code, "informational")
    return {
        "severity": "information" if issue_type in {"informational", "duplicate"} else "warning",
        "code": issue_type,
        "details": {"text": f"{ignored.reference}: {ignored.reason}" if ignored.reference else ignored.reason},
        **({"expression": [ignored.path]} if ignored.path else {}),
    }


def _problem_issue(problem: Problem) -> dict[str, object]:
    return {
        "severity": "error",
        "code": problem.kind.issue_code,
        "details": {"text": problem.sentence},
        **({"expression": [problem.expression]} if problem.expression else {}),
    }


MOST_TOLD: Final = 100
"""Most problems of one kind of fault that are told one by one."""


def word_shown(text: str, known: Container[str], kind: str) -> str:
    """The word where it is known, else what kind of word stands there.

    Args:
        kind: for example `another status`.
    """
    return text if text in known else kind
