"""Read from the record: one resource, or a search over all its pages, within a budget.

Reads change nothing, so that each is repeated within the client's limits like a write that is safe to repeat. The
record's own words are never quoted, since they may hold patient data; what of ours they name is told.

Pages are followed only below the record's own base address, each once, and never past the budget: a result that was cut
short would look like a whole one. Sources: FHIR R4 search.html, http.html#paging (link `next`, POST `_search`),
bundle.html (search.mode `outcome`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import wraps
from typing import Final, ParamSpec, TypeVar, TypeVarTuple
from urllib.parse import parse_qsl, urlencode

import msgspec

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.record.client import RecordClient
from ebbmark.record.retry import AttemptOutcome, CallFailure, Reply, decoded, named_by, repeat, retry_after_s

T = TypeVar("T")
P = ParamSpec("P")
Result = TypeVar("Result")
Given = TypeVarTuple("Given")

_STATUS_WORDS = {
    400: "the record could not read the question",
    401: "the record did not accept our sign-in",
    403: "our sign-in does not allow this read",
    404: "the record has nothing at this address",
    410: "what was asked for was deleted from the record",
    414: "the question was longer than the record accepts",
    429: "the record is turning requests away because there are too many",
    503: "the record is not available just now",
}
_UNREADABLE = (None, CallFailure.UNREADABLE)


class Reference(msgspec.Struct):
    """FHIR Reference, by address."""

    reference: str = ""


@dataclass(frozen=True, slots=True)
class ReadFailure:
    """Nothing usable came back.

    Attributes:
        sentence: why, as a clause in our own words.
        status: HTTP status of the last reply; None where none came.
        retry_after_s: after how long the record asks to be asked again [s]; None where it does not say.
    """

    sentence: str
    status: int | None
    retry_after_s: float | None = None


@dataclass(frozen=True, slots=True)
class TooMuch(ReadFailure):
    """The record holds more than may be read; what was read so far is not used. `what` says of what."""

    what: str = ""


def too_much(what: str) -> TooMuch:
    """A read that was given up since there is more of this than may be read."""
    return TooMuch(f"the record holds {what}", 200, what=what)


class ReadFailed(Exception):
    """A read without which nothing can be said; carries the failure."""

    def __init__(self, failure: ReadFailure) -> None:
        super().__init__(failure.sentence)
        self.failure = failure


def failure_as_value(read: Callable[P, Awaitable[T]]) -> Callable[P, Awaitable[T | ReadFailure]]:
    """Give a failed read as a value to callers who can go on without it."""

    @wraps(read)
    async def reading(*args: P.args, **kwargs: P.kwargs) -> T | ReadFailure:
        try:
            return await read(*args, **kwargs)
        except ReadFailed as failed:
            return failed.failure

    return reading


async def read_json(
    record: RecordClient,
    target: str,
    shape: type[T],
    *,
    form: bytes | None = None,
    headers: Mapping[str, str] | None = None,
) -> T | ReadFailure:
    """Read one resource or one page.

    Args:
        target: path and query below the base, or an absolute URL below it.
        shape: msgspec Struct of what is wanted; other fields are passed over.
        form: parameters of a search by POST; None for a GET.
    """
    method = "GET" if form is None else "POST"
    sent = {**({"Content-Type": "application/x-www-form-urlencoded"} if form is not None else {}), **(headers or {})}

    async def attempt() -> tuple[Reply | CallFailure, T | None]:
        answer = await record.send(method, target, content=form or b"", headers=sent)
        good = isinstance(answer, Reply) and 200 <= answer.status < 300
        return answer, decoded(answer, shape) if isinstance(answer, Reply) and good else None

    repeated = await repeat(
        attempt,
        _attempt_outcome,
        limits=record.limits,
        repeat_safe=True,
        waiting=record.waiting,
    )
    answer, value = repeated.attempts[-1]
    if value is not None:
        return value
    if isinstance(answer, CallFailure):
        return ReadFailure(answer.words, None)
    if 200 <= answer.status < 300:
        lost = answer.lost
        why = "the reply was not what FHIR asks for" if lost in _UNREADABLE else lost.words
    else:
        usual = "the record failed" if answer.status >= 500 else "the record refused"
        why = _STATUS_WORDS.get(answer.status, usual)
    path, _, query = target.partition("?")
    asked = parse_qsl(form.decode() if form is not None else query)
    named = named_by(answer, [path.partition("/")[0], *(name for name, _ in asked)])
    later_s = retry_after_s(answer.retry_after, record.waiting.now())
    return ReadFailure(f"{why} (HTTP {answer.status}{named})", answer.status, later_s)


def _attempt_outcome(attempt: tuple[Reply | CallFailure, object]) -> AttemptOutcome:
    answer, value = attempt
    if isinstance(answer, CallFailure):
        return AttemptOutcome(answer)
    unreadable = 200 <= answer.status < 300 and value is None
    return AttemptOutcome((answer.lost or CallFailure.UNREADABLE) if unreadable else answer.status, answer.retry_after)


LONGEST_QUERY = 1_900
"""Longest query that goes into an address [characters]; a longer one is posted. Common practice, no published source:
some gateways cut addresses of more than 2,000 characters."""

FRESH = {"Cache-Control": "no-cache"}
"""Some records answer a search from one that they made up to a minute ago; RFC 9111 section 5.2.1.4."""

_ISSUE_WORDS = frozenset({"information", "warning"})


@dataclass(slots=True)
class Budget:
    """What may still be read; one for all searches of one question, counted down as they go."""

    requests: int = 60
    resources: int = 5_000
    size_bytes: int = 20_000_000


class Meta(msgspec.Struct, frozen=True, rename="camel"):
    """Version and time of the last change."""

    version_id: str = ""
    last_updated: str = ""


class Head(msgspec.Struct, frozen=True, rename="camel"):
    """What every resource has."""

    resource_type: str
    id: str = ""
    meta: Meta = Meta()


class FoundEntry(msgspec.Struct, frozen=True):
    """One resource as the record sent it, byte for byte."""

    full_url: str
    head: Head
    resource: bytes


@dataclass(slots=True)
class Found:
    """All pages together.

    Attributes:
        remarks: what the record said beside them: severity and issue type, never its text.
    """

    entries: list[FoundEntry] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    pages: int = 0


class _Link(msgspec.Struct):
    relation: str = ""
    url: str = ""


class _Search(msgspec.Struct):
    mode: str = ""


class _Entry(msgspec.Struct, rename="camel"):
    full_url: str = ""
    resource: msgspec.Raw = msgspec.Raw(b"")
    search: _Search = msgspec.field(default_factory=_Search)


class Page(msgspec.Struct, tag_field="resourceType", tag="Bundle"):
    """One page of the results of a search."""

    type: str
    total: int | None = None
    link: list[_Link] = []
    entry: list[_Entry] = []

    @property
    def following(self) -> str:
        """Address of the next page; empty where this is the last one."""
        return next((link.url for link in self.link if link.relation == "next" and link.url), "")


class _Issue(msgspec.Struct):
    severity: str = ""
    code: str = ""


class _Outcome(msgspec.Struct):
    issue: list[_Issue] = []


def any_of(values: Sequence[str]) -> str:
    """A list of alternatives as one search value."""
    # FHIR R4 search.html#escaping: a comma within a value is escaped.
    return ",".join(value.replace("\\", "\\\\").replace(",", "\\,").replace("$", "\\$") for value in values)


_LONG: Final = 200
"""Entries of a page; with fewer the way to another thread costs more than it frees. This project's choice."""
_READER: Final = ThreadPoolExecutor(max_workers=1, thread_name_prefix="record-replies")


async def in_turn(work: Callable[[*Given], Result], *given: *Given) -> Result:
    """Do work on replies of the record beside the event loop, one piece at a time.

    Long replies take their time; in several threads at once they would hold one another and the loop up.
    """
    return await asyncio.get_running_loop().run_in_executor(_READER, work, *given)


async def search(
    record: RecordClient, kind: str, query: Sequence[tuple[str, str]], *, budget: Budget
) -> Found | ReadFailure:
    """Search for resources and read every page.

    Args:
        query: search parameters; the record may ignore some, so that the caller filters again.
        budget: what may still be read; is counted down.
    """
    found = Found()
    seen: set[tuple[str, str, str]] = set()
    text = urlencode(query)
    target, form = (f"{kind}?{text}", None) if len(text) <= LONGEST_QUERY else (f"{kind}/_search", text.encode())
    visited: set[str] = set()
    while True:
        if budget.requests <= 0:
            return too_much("more pages than may be read")
        budget.requests -= 1
        page = await read_json(record, target, Page, form=form, headers=FRESH)
        if isinstance(page, ReadFailure):
            return page
        if page.type != "searchset":
            return ReadFailure("the reply to a search was not a searchset", 200)
        found.pages += 1
        if found.pages == 1 and (page.total or 0) > budget.resources:
            return too_much("more resources than may be read")
        long = len(page.entry) > _LONG
        failure = await in_turn(take, page, found, seen, budget) if long else take(page, found, seen, budget)
        if failure is not None:
            return failure
        following = page.following
        if not following:
            return found
        if following in visited:
            return ReadFailure("the record's pages lead back to one that was read already", 200)
        visited.add(following)
        target, form = following, None


def take(page: Page, found: Found, seen: set[tuple[str, str, str]], budget: Budget) -> ReadFailure | None:
    """Add the entries of one page to what was found.

    Args:
        seen: type, id and version of what is there already; is added to.

    Returns:
        Why the page cannot be used, or None.
    """
    for entry in page.entry:
        if not entry.resource:
            continue
        resource = bytes(entry.resource)
        budget.resources -= 1
        budget.size_bytes -= len(resource)
        if budget.resources < 0 or budget.size_bytes < 0:
            return too_much("more resources, or longer ones, than may be read")
        try:
            head = msgspec.json.decode(resource, type=Head)
            outcome = entry.search.mode == "outcome" or head.resource_type == "OperationOutcome"
            remarks = msgspec.json.decode(resource, type=_Outcome).issue if outcome else None
        except msgspec.DecodeError:
            return ReadFailure("an entry of the reply is not a resource", 200)
        if remarks is not None:
            bad = [issue for issue in remarks if issue.severity not in _ISSUE_WORDS]
            if bad:
                return ReadFailure("the record says within its reply that the search failed in part", 200)
            found.remarks += [f"{issue.severity}, {_code(issue.code)}" for issue in remarks]
            continue
        key = (head.resource_type, head.id, head.meta.version_id)
        # Pages that shift while they are read bring the same version twice: that is one input, not two.
        if head.id and key in seen:
            continue
        seen.add(key)
        found.entries.append(FoundEntry(entry.full_url, head, resource))
    return None


def _code(text: str) -> str:
    return text if text.replace("-", "").isalpha() and len(text) <= 40 else "no code"


MOST_METRICS = 20


class _Metric(msgspec.Struct):
    source: Reference = msgspec.field(default_factory=Reference)
    parent: Reference = msgspec.field(default_factory=Reference)


async def read_one(reference: str, *, record: RecordClient, budget: Budget) -> FoundEntry | ReadFailure:
    """One resource, in the version named if one is; the reply must be the one that was asked for.

    Args:
        reference: `Type/id`, or `Type/id/_history/version`.
    """
    if budget.requests <= 0:
        return ReadFailure("more would have to be read than is allowed", None)
    budget.requests -= 1

    async def read() -> msgspec.Raw | ReadFailure:
        return await read_json(record, reference, msgspec.Raw)

    raw = await (record.view_cache.once(reference, read) if record.view_cache is not None else read())
    if isinstance(raw, ReadFailure):
        return raw
    try:
        head = msgspec.json.decode(raw, type=Head)
    except msgspec.DecodeError:
        return ReadFailure("the reply was not a resource", 200)
    plain, _, version = reference.partition("/_history/")
    if f"{head.resource_type}/{head.id}" != plain or (version and head.meta.version_id != version):
        return ReadFailure("the reply was another resource or version than the one asked for", 200)
    return FoundEntry(f"{record.settings.base_url.rstrip('/')}/{plain}", head, bytes(raw))


async def read_metrics(
    devices: Iterable[str], *, record: RecordClient, budget: Budget
) -> tuple[list[FoundEntry], list[str]]:
    """DeviceMetrics that tell settings from measurements; one that cannot be read is named, and nothing is guessed."""
    base = record.settings.base_url.rstrip("/") + "/"
    wanted = sorted({device.removeprefix(base) for device in devices})
    wanted = [reference for reference in wanted if reference.startswith("DeviceMetric/")]
    metrics, notes = [], []
    for reference in wanted[:MOST_METRICS]:
        found = await read_one(reference, record=record, budget=budget)
        if isinstance(found, ReadFailure):
            notes.append(f"{reference} could not be read ({found.sentence}): it may tell settings from measurements.")
        else:
            metrics.append(found)
    if len(wanted) > MOST_METRICS:
        notes.append(f"{len(wanted) - MOST_METRICS} DeviceMetrics beyond the first {MOST_METRICS} were not read.")
    return metrics, notes


def machines_of(metrics: Iterable[FoundEntry]) -> dict[str, str]:
    """The device that each DeviceMetric belongs to, by the ways to refer to the metric."""
    machines = {}
    for entry in metrics:
        try:
            metric = msgspec.json.decode(entry.resource, type=_Metric)
        except msgspec.DecodeError:
            continue
        name = metric.source.reference or metric.parent.reference
        machines[f"DeviceMetric/{entry.head.id}"] = machines[entry.full_url] = name
    return machines


PATIENT = "Parameters.parameter.where(name='patient-reference')"
"""FHIRPath of what the caller asked for."""


_NOT_ACCEPTED = 401


def no_patient(failure: ReadFailure) -> Problem:
    """The Patient could not be read."""
    if failure.status in (404, 410):
        accepted = "a patient of the configured record"
        sentence = f"The patient could not be read: {failure.sentence}."
        return Problem(ProblemKind.NOT_IN_RECORD, PATIENT, "no such patient", accepted, sentence)
    return not_read("The Patient", failure)


def not_read(what: str, failure: ReadFailure) -> Problem:
    """Something else could not be read, or the record holds more of it than may be read."""
    if isinstance(failure, TooMuch):
        return _too_much_for_a_question(failure)
    if failure.status == _NOT_ACCEPTED:
        sentence = f"{what} could not be read: {failure.sentence}. Access to the record has ended, or was never given."
        return Problem(ProblemKind.RECORD_ACCESS, PATIENT, failure.sentence, "access to the record", sentence)
    sentence = f"{what} could not be read from the record: {failure.sentence}. Ask again later, or send the data."
    return Problem(
        ProblemKind.RECORD_FAILED,
        PATIENT,
        failure.sentence,
        "a record that answers",
        sentence,
        retry_after_s=failure.retry_after_s,
    )


def _too_much_for_a_question(much: TooMuch) -> Problem:
    sentence = (
        f"The record holds {much.what} for this question, and a part would pass for the whole. Name a shorter period."
    )
    accepted = "a period that holds less"
    return Problem(ProblemKind.TOO_MUCH_IN_RECORD, PATIENT, much.what, accepted, sentence)


def no_record() -> Problem:
    """A patient of the record was named, and there is no record."""
    accepted = "a service whose record_base_url is set"
    sentence = "The request names a patient of a record, but no record system is configured here. Send the data."
    return Problem(ProblemKind.NO_RECORD, PATIENT, "patient-reference", accepted, sentence)
