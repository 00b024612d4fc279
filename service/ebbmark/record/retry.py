"""Retry with backoff: what a call to another system brought, whether it is repeated, and what of a refusal may be told.

A repeat honours Retry-After and stays within limits of attempts and of waiting (RFC 9110 sections 10.2.3 and 5.6.7;
which failures are worth a repeat is common practice, no published source).

Of a record's OperationOutcome only codes, element paths and words of ours are told, by whitelists: its text may hold
patient data (FHIR R4 operationoutcome.html; codesystem-operation-outcome.html, MSG_...). The protected log of refusals
keeps it word for word where the site names a file: one JSON line per refusal, in a regular file of this service's own
user that nobody else may read (mode 600), opened anew for each line, so that it can be rotated.
"""

from __future__ import annotations

import asyncio
import os
import re
import stat
from collections.abc import Awaitable, Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from enum import Enum
from itertools import islice
from pathlib import Path
from typing import Generic, TypeVar

import msgspec

from ebbmark.fhir.model import RESOURCE_TYPES
from ebbmark.telemetry.measured import Measured, count


class CallFailure(Enum):
    """What went wrong where no usable status was read; the HTTP library's own message may hold an address or a token.

    Of each: its slug, whether the request may have arrived, whether it can pass by itself, and a clause for a person.
    """

    # fmt: off
    NOT_ALLOWED = ("not-allowed", False, False,
        "its address is not on the list of allowed record systems (EBBMARK_RECORD_BASE_URL, "
        "EBBMARK_RECORD_ALLOWED_BASE_URLS), or is not encrypted and not listed in EBBMARK_PLAIN_HTTP_HOSTS")
    NOT_SENDABLE = ("not-sendable", False, False, "the request could not be put into HTTP")
    NOT_CONNECTED = ("not-connected", False, True, "no connection to the record could be made")
    CLOSED_PORT = ("closed-port", False, True,
        "nothing listens at the port of the record's address (EBBMARK_RECORD_BASE_URL), or a firewall refuses the "
        "connection")
    UNKNOWN_NAME = ("unknown-name", False, True,
        "no network address is known for the host name of the record (EBBMARK_RECORD_BASE_URL; name lookup)")
    UNKNOWN_AUTHORITY = ("tls-unknown-authority", False, False,
        "the record's certificate is signed by an authority that is not trusted here; EBBMARK_RECORD_AUTHORITIES names "
        "a file with the certificate of the one to trust")
    WRONG_HOST_NAME = ("tls-wrong-host-name", False, False,
        "the record's certificate is for another host name than the one in its address; EBBMARK_RECORD_BASE_URL must "
        "use a name that the certificate holds")
    NOT_VALID_NOW = ("tls-not-valid-now", False, False,
        "the record's certificate has expired or is not valid yet, by the clock of this machine; it has to be renewed "
        "at the record, no setting here replaces that")
    NO_TLS = ("no-tls", False, False,
        "what answers at the record's address speaks no TLS, or none from version 1.2 on; EBBMARK_RECORD_BASE_URL may "
        "name another port than that of https")
    OUR_CERTIFICATE = ("tls-our-certificate", False, False,
        "the record asks for a client certificate and did not accept ours, or there is none; "
        "EBBMARK_RECORD_CERTIFICATE and EBBMARK_RECORD_CERTIFICATE_KEY name the one to show")
    CONNECT_TIMEOUT = ("connect-timeout", False, True, "the record did not accept a connection in time")
    POOL_TIMEOUT = ("pool-timeout", False, True, "no connection to the record was free in time")
    WRITE_TIMEOUT = ("write-timeout", True, True, "the record stopped taking the request in")
    READ_TIMEOUT = ("read-timeout", True, True, "the record took the request and did not answer in time")
    TOO_SLOW = ("too-slow", True, True, "the whole exchange took longer than allowed")
    CUT = ("cut", True, True, "the connection broke before the reply was complete")
    # The same question brings the same long answer.
    TOO_LARGE = ("too-large", True, False, "the reply was longer than allowed and was not read")
    UNREADABLE = ("unreadable", True, True, "the reply was not a transaction-response with one entry per request")
    NOT_UTF8 = ("not-utf-8", True, False, "the reply was not UTF-8")
    SURPRISING_ADDRESS = ("surprising-address", False, False,
        "its name leads into a network that is not listed as one of its own; EBBMARK_PRIVATE_NETWORKS lists networks "
        "inside the house")
    SIGN_IN_REFUSED = ("sign-in-refused", False, False, "the authorization server of the record refused our sign-in")
    SIGN_IN_FAILED = ("sign-in-failed", False, True,
        "the sign-in at the authorization server of the record failed for now")
    # A 409 that names a conflict: a repeat checks the conditions anew.
    LOST_RACE = ("lost-race", False, True, "")
    # fmt: on

    def __init__(self, slug: str, may_have_arrived: bool, transient: bool, words: str) -> None:
        self.slug = slug
        self.may_have_arrived = may_have_arrived
        self.transient = transient
        self.words = words


T = TypeVar("T")


_JSON_MEDIA_TYPES = frozenset({"", "application/fhir+json", "application/json", "application/json+fhir"})


@dataclass(frozen=True, slots=True)
class Reply:
    """A reply whose status line was read.

    Attributes:
        media_type: of the body, lower case, without parameters; empty where not stated.
        body: the whole body; empty where it could not be read to its end. Not shown: it may hold patient data.
        lost: why the body could not be read to its end.
        location: the Content-Location header as sent.
    """

    status: int
    media_type: str = ""
    retry_after: str | None = None
    body: bytes = field(default=b"", repr=False)
    lost: CallFailure | None = None
    date: str | None = field(default=None, compare=False)
    location: str | None = field(default=None, compare=False)


def decoded(reply: Reply, shape: type[T]) -> T | None:
    """Parse a reply's JSON into the shape that the caller needs.

    Args:
        shape: a msgspec Struct; fields that it does not name are passed over.

    Returns:
        The value; None where the body was lost, is declared as something else than JSON, is not JSON, or does
        not have the shape.
    """
    if reply.lost is not None or reply.media_type not in _JSON_MEDIA_TYPES:
        return None
    try:
        return msgspec.json.decode(reply.body, type=shape)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None


def is_utf8(body: bytearray) -> bool:
    """Whether a reply is UTF-8, as JSON must be (RFC 8259, section 8.1)."""
    try:
        return body.isascii() or bool(body.decode("utf-8"))
    except UnicodeDecodeError:
        return False


# FHIR R4 value set issue-type. Only these are ever quoted: any other text in an outcome may hold patient data.
# fmt: off
_ISSUE_CODES = frozenset({
    "invalid", "structure", "required", "value", "invariant", "security", "login", "unknown", "expired",
    "forbidden", "suppressed", "processing", "not-supported", "duplicate", "multiple-matches", "not-found",
    "deleted", "too-long", "code-invalid", "extension", "too-costly", "business-rule", "conflict",
    "transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled",
    "informational",
})
# fmt: on
_MESSAGE_SYSTEMS = frozenset(
    {"http://terminology.hl7.org/CodeSystem/operation-outcome", "http://hl7.org/fhir/operation-outcome"}
)
_MESSAGE = re.compile(r"MSG_[A-Z_]{2,40}")
_PATH = re.compile(r"[A-Za-z]+(\[[0-9]{1,3}\])?(\.(ofType\([A-Za-z]+\)|[A-Za-z]+(\[[0-9]{1,3}\]|\[x\])?))*")
_WORD = re.compile(r"[A-Za-z]+")
_LONGEST_PATH = 120
_MOST_TOLD = 3
# fmt: off
ELEMENTS = frozenset({
    "action", "activity", "agent", "author", "authoredOn", "basedOn", "bodySite", "category", "code", "codeReference",
    "coding", "component", "conclusion", "conclusionCode", "contained", "content", "contentType", "context", "data",
    "dataAbsentReason", "date", "derivedFrom", "description", "detail", "device", "deviceName", "display", "div",
    "effectiveDateTime", "effectivePeriod", "encounter", "end", "entity", "entry", "evidence", "extension", "focus",
    "fullUrl", "hasMember", "high", "id", "identifier", "ifMatch", "ifNoneExist", "implicated", "intent",
    "interpretation", "issued", "item", "language", "low", "manufacturer", "meta", "method", "mode", "moduleCanonical",
    "moduleUri", "note", "occurredDateTime", "occurrenceDateTime", "outputParameters", "parameter", "partOf",
    "patient", "performer", "period", "policy", "presentedForm", "priority", "profile", "reason", "reasonCode",
    "reasonReference", "recorded", "reference", "referenceRange", "relatesTo", "replaces", "request",
    "requestIdentifier", "requester", "resource", "response", "result", "role", "serialNumber", "severity",
    "signature", "source", "start", "status", "statusReason", "subject", "system", "tag", "target", "text", "title",
    "type", "unit", "url", "value", "valueBoolean", "valueCodeableConcept", "valueDateTime", "valueInteger",
    "valuePeriod", "valueQuantity", "valueRange", "valueReference", "valueString", "version", "versionId", "what",
    "when", "who",
})
"""Elements of FHIR R4 that occur in what is written; held against an independent R4 model by a test."""
# fmt: on
_PATH_WORDS = ELEMENTS | {
    *RESOURCE_TYPES,
    "ofType",
    "x",
    "effective",
    "occurrence",
    "occurred",
    "module",
    "Quantity",
    "CodeableConcept",
    "Reference",
    "Range",
    "Period",
    "dateTime",
    "string",
}


class _Issue(msgspec.Struct):
    code: str
    diagnostics: object = ""
    details: object = ""
    expression: object = ()
    location: object = ()


class _Outcome(msgspec.Struct, rename="camel"):
    resource_type: str
    issue: list[_Issue]


def named_by(reply: Reply, ours: Iterable[str]) -> str:
    """Issue codes of a refusal, and which of our own words it names: never its text, which may hold patient data.

    Args:
        ours: words that were sent, such as a resource type or the names of search parameters.

    Returns:
        A clause that begins with a comma; empty where the reply says nothing that may be told.
    """
    outcome = decoded(reply, _Outcome)
    if outcome is None or outcome.resource_type != "OperationOutcome":
        return ""
    told = [(one.diagnostics, one.expression, one.details) for one in outcome.issue]
    text = " ".join(
        f"{said} {where} {more.get('text') if isinstance(more, dict) else ''}" for said, where, more in told
    )
    words = [one for one in dict.fromkeys(ours) if one and re.search(rf"(?<![\w-]){re.escape(one)}(?![\w-])", text)]
    codes = codes_in(reply) or ()
    messages = dict.fromkeys(code for one in outcome.issue for code in _messages_of(one.details))
    paths = dict.fromkeys(path for one in outcome.issue for path in _paths_of(one.expression, one.location))
    said = "".join(f", {', '.join(islice(some, _MOST_TOLD))}" for some in (messages, paths) if some)
    return (f", issue {', '.join(codes)}" if codes else "") + said + (f", naming {', '.join(words)}" if words else "")


def _messages_of(details: object) -> Iterator[str]:
    """Message codes of FHIR's own code system for outcomes; codes of any other may be anything."""
    codings = details.get("coding") if isinstance(details, dict) else None
    for one in codings if isinstance(codings, list) else ():
        if isinstance(one, dict) and str(one.get("system")) in _MESSAGE_SYSTEMS:
            code = one.get("code")
            if isinstance(code, str) and _MESSAGE.fullmatch(code):
                yield code


def _paths_of(*given: object) -> Iterator[str]:
    """Paths of which every word is a type or an element of FHIR."""
    for one in (path for listed in given if isinstance(listed, list) for path in listed):
        is_path = isinstance(one, str) and len(one) <= _LONGEST_PATH and _PATH.fullmatch(one)
        if is_path and _PATH_WORDS.issuperset(_WORD.findall(one)):
            yield one


def codes_in(reply: Reply) -> tuple[str, ...] | None:
    """FHIR's issue codes in a reply; None where it is no OperationOutcome."""
    outcome = decoded(reply, _Outcome)
    if outcome is None or outcome.resource_type != "OperationOutcome":
        return None
    return tuple(sorted({issue.code for issue in outcome.issue if issue.code in _ISSUE_CODES}))


def codes_of(body: bytes) -> tuple[str, ...] | None:
    """FHIR's issue codes in the outcome of one entry; None where it is none."""
    return codes_in(Reply(200, body=body)) if body else None


_MOST_BYTES = 20_000
_FLAGS = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK


def unusable_log(path: Path) -> str | None:
    """Why nothing may be written to this file, as a clause; None where something may. A missing file is created."""
    try:
        os.close(_opened(path))
    except OSError as error:
        return error.strerror or "cannot be opened"
    return None


def note_refusal(path: Path | None, at: datetime, asked: str, status: int, body: bytes) -> None:
    """Append one refusal. A line that cannot be written is counted among log faults, and nothing else is held up.

    Args:
        asked: method, path and query; of the path the first part is noted: a resource type, or an operation.
        body: what the record said; its beginning is kept.
    """
    if path is None:
        return
    method, _, target = asked.partition(" ")
    said = body[:_MOST_BYTES].decode("utf-8", "replace")
    place = target.partition("?")[0].partition("/")[0] if "://" not in target else ""
    told = {"at": at.isoformat(), "method": method, "asked": place, "status": status, "said": said}
    try:
        file = _opened(path)
        try:
            os.write(file, msgspec.json.encode(told) + b"\n")
        finally:
            os.close(file)
    except OSError:
        count(Measured.LOG_FAULTS)


def _opened(path: Path) -> int:
    file = os.open(path, _FLAGS, 0o600)
    found = os.fstat(file)
    if stat.S_ISREG(found.st_mode) and not found.st_mode & 0o077 and found.st_uid == os.geteuid():
        return file
    os.close(file)
    raise PermissionError(None, "is no regular file of this user's own that nobody else may read (mode 600)")


@dataclass(frozen=True, slots=True)
class Waiting:
    """How time passes between two attempts.

    Attributes:
        now: current time with zone, for a Retry-After that is a date.
    """

    sleep: Callable[[float], Awaitable[None]]
    now: Callable[[], datetime]


WALL_CLOCK = Waiting(sleep=asyncio.sleep, now=lambda: datetime.now(UTC))


class StopReason(Enum):
    """Why no further attempt is made."""

    ANSWERED = "answered"
    LOOK = "look"
    REFUSED = "refused"
    NOT_REPEATABLE = "not-repeatable"
    ATTEMPTS_USED = "attempts-used"
    WAIT_TOO_LONG = "wait-too-long"


@dataclass(frozen=True, slots=True)
class RetryLimits:
    """Bounds on repeats.

    Attributes:
        max_total_wait_s: sum of the waits between attempts [s]; the attempts' own time is not counted.
        first_wait_s: wait after the first attempt [s]; it doubles after each.
        longest_wait_s: the doubling stops here [s].
        settling_wait_s: shortest wait where the request may have arrived and still be at work [s].
    """

    max_attempts: int = 4
    max_total_wait_s: float = 30.0
    first_wait_s: float = 0.5
    longest_wait_s: float = 8.0
    settling_wait_s: float = 5.0


@dataclass(frozen=True, slots=True)
class AttemptOutcome:
    """What one attempt brought: an HTTP status or a trouble, and the Retry-After header if there was one."""

    what: int | CallFailure
    retry_after: str | None = None


@dataclass(frozen=True, slots=True)
class Repeated(Generic[T]):
    """Every attempt in order, and why they ended."""

    attempts: tuple[T, ...]
    stop: StopReason


# 500, 502, 503 and 504 can come from a gateway after the server behind it did the work; 429 turns away at the door.
_TRANSIENT_AFTER_ARRIVAL = frozenset({500, 502, 503, 504})
_TURNED_AWAY = 429
_LOOKED_AT = frozenset({409, 412})
# Several servers look up and create without a lock between: two equal conditional creates at once can both create.
# So a repeat waits until the first has probably ended.
_MAY_STILL_WORK: frozenset[int | CallFailure] = frozenset(
    {CallFailure.WRITE_TIMEOUT, CallFailure.READ_TIMEOUT, CallFailure.TOO_SLOW, CallFailure.CUT, 502, 504}
)


def wait_or_stop(
    outcome: AttemptOutcome, *, attempt: int, waited_s: float, limits: RetryLimits, repeat_safe: bool, now: datetime
) -> float | StopReason:
    """Decide between another attempt and the end.

    Args:
        repeat_safe: a second arrival of the same request changes nothing more.

    Returns:
        The wait before the next attempt [s]: the longest of our doubling wait, the settling wait where it applies, and
        the wait that the record asked for. Else why there is none.
    """
    reason = _reason_to_stop(outcome.what, repeat_safe)
    if reason is not None:
        return reason
    if attempt >= limits.max_attempts:
        return StopReason.ATTEMPTS_USED
    wait_s = max(_own_wait_s(outcome.what, attempt, limits), retry_after_s(outcome.retry_after, now) or 0.0)
    return StopReason.WAIT_TOO_LONG if waited_s + wait_s > limits.max_total_wait_s else wait_s


def _own_wait_s(what: int | CallFailure, attempt: int, limits: RetryLimits) -> float:
    # The exponent is bounded because 2.0 ** 1024 overflows, and the doubling stops long before.
    doubling_s = min(limits.first_wait_s * 2.0 ** min(attempt - 1, 64), limits.longest_wait_s)
    return max(doubling_s, limits.settling_wait_s) if what in _MAY_STILL_WORK else doubling_s


def _reason_to_stop(what: int | CallFailure, repeat_safe: bool) -> StopReason | None:
    if isinstance(what, CallFailure):
        transient, may_have_arrived = what.transient, what.may_have_arrived
    elif 200 <= what < 300:
        return StopReason.ANSWERED
    elif what in _LOOKED_AT:
        return StopReason.LOOK
    else:
        may_have_arrived = what in _TRANSIENT_AFTER_ARRIVAL
        transient = may_have_arrived or what == _TURNED_AWAY
    if not transient:
        return StopReason.REFUSED
    return StopReason.NOT_REPEATABLE if may_have_arrived and not repeat_safe else None


def retry_after_s(header: str | None, now: datetime) -> float | None:
    """Read a Retry-After header.

    Args:
        header: whole seconds or an HTTP date; None where absent.

    Returns:
        Seconds from now, never negative, possibly infinite; None for an absent or malformed header.

    Source: RFC 9110 sections 10.2.3 and 5.6.7 (a date in any of its three forms is UTC).
    """
    text = (header or "").strip(" \t")
    if text.isascii() and text.isdigit():
        return float(text)  # unlike int, takes any number of digits and ends at infinity
    try:
        when = parsedate_to_datetime(text)
        aware = when if when.tzinfo is not None else when.replace(tzinfo=UTC)
        return max(0.0, (aware - now).total_seconds())
    except (ValueError, OverflowError, IndexError, TypeError):
        return None  # a malformed wish is no wish; our own wait applies


async def repeat(
    attempt: Callable[[], Awaitable[T]],
    outcome_of: Callable[[T], AttemptOutcome],
    *,
    limits: RetryLimits,
    repeat_safe: bool,
    waiting: Waiting,
) -> Repeated[T]:
    """Make attempts until `wait_or_stop` says stop.

    Args:
        attempt: makes one attempt and returns what it brought, never raising for a failure of the network.
        repeat_safe: a second arrival of the same request changes nothing more.
    """
    made: list[T] = []
    waited_s = 0.0
    while True:
        made.append(await attempt())
        outcome = outcome_of(made[-1])
        wait_s = wait_or_stop(
            outcome,
            attempt=len(made),
            waited_s=waited_s,
            limits=limits,
            repeat_safe=repeat_safe,
            now=waiting.now(),
        )
        if isinstance(wait_s, StopReason):
            return Repeated(tuple(made), wait_s)
        count(Measured.RETRIES, outcome.what.slug if isinstance(outcome.what, CallFailure) else str(outcome.what))
        await waiting.sleep(wait_s)
        waited_s += wait_s
