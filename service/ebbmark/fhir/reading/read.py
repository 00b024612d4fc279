"""What was asked? From the bytes of a FHIR R4 request to one valid question, or to every reason why not.

Bytes are decoded once into lean typed structures (`shapes`); only where that fails does a slower second look
(`careful`) find out why.
"""

from __future__ import annotations

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.admission import USABLE_STATUSES
from ebbmark.fhir.reading.body import DEFAULT_LIMITS, Limits, decode
from ebbmark.fhir.reading.careful import too_deep
from ebbmark.fhir.reading.collected import Collected, Context
from ebbmark.fhir.reading.concept_map import NO_CODE_MAP, CodeMap, lay_over, read_code_map
from ebbmark.fhir.reading.observations import read_observations
from ebbmark.fhir.reading.patient import read_person
from ebbmark.fhir.reading.question import Question
from ebbmark.fhir.reading.take_apart import take_apart
from ebbmark.fhir.reasons import Reason
from ebbmark.fhir.references import reference_to, unversioned
from ebbmark.fhir.request import Ignored, Request
from ebbmark.physiology.protocols import PROTOCOLS, Protocol
from ebbmark.physiology.readings import Quantity

__all__ = ["DEFAULT_LIMITS", "NO_CODE_MAP", "CodeMap", "Limits", "read_code_map", "read_request"]


_PEEPS = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})
_MAY_BE_UNREAD = frozenset({ProblemKind.MISSING, ProblemKind.SEX_NEEDED})
_TIME_REASONS = frozenset(
    reason.slug
    for reason in (
        Reason.NO_ZONE,
        Reason.DATE_ONLY,
        Reason.INVALID_TIME,
        Reason.NO_TIME,
        Reason.FUTURE,
        Reason.TIMING,
        Reason.PERIOD,
    )
)


_NOTHING_READ = frozenset({ProblemKind.BUNDLE_TYPE, ProblemKind.TOO_MANY_ENTRIES})
"""Problems that leave a whole Bundle unread."""


def read_request(
    body: bytes,
    *,
    at_s: float,
    limits: Limits = DEFAULT_LIMITS,
    code_map: CodeMap = NO_CODE_MAP,
    accept_preliminary: bool = False,
    protocols: tuple[Protocol, ...] = PROTOCOLS,
) -> Request:
    """Read a FHIR R4 Parameters or Bundle.

    Args:
        body: UTF-8 JSON as received.
        at_s: the instant of the request [s since 1970-01-01T00:00:00Z].
        limits: how much is read at most.
        code_map: a site's own codes; a ConceptMap within the request is laid over it.
        accept_preliminary: whether preliminary Observations count where the request does not say.
        protocols: rule sets that may be asked for; a site's own among them.

    Raises:
        Rejected: with every problem found, and every input that did not count.
    """
    try:
        decoded, problems = decode(body, limits)
        if decoded is None:
            raise Rejected(tuple(problems))
        question = take_apart(
            decoded,
            at_s=at_s,
            accept_preliminary=accept_preliminary,
            max_entries=limits.max_entries,
            protocols=protocols,
        )
        return _answerable(question, code_map, problems)
    except RecursionError:  # what the decoder just took in, a comparison may still find too deep
        raise Rejected((too_deep(),)) from None


def _answerable(question: Question, code_map: CodeMap, problems: list[Problem]) -> Request:
    """The request, if it can be answered; `problems` are those of its shape."""
    question.problems[:0] = problems
    if question.code_rows:
        code_map = lay_over(code_map, question.code_rows)
    context = Context(
        code_map=code_map,
        statuses=USABLE_STATUSES | {"preliminary"} if question.accept_preliminary else USABLE_STATUSES,
        now_s=question.as_of_s,
        categories=_categories(question) if question.metrics else {},
    )
    collected = read_observations(question.observations, context)
    count = len(collected.readings)
    person = read_person(question.patients, question.sex, question.as_of_s, collected)
    ignored = (*question.ignored, *collected.ignored, *_unasked_metrics(question, collected))
    every_problem = [*question.problems, *collected.problems]
    if not any(reading[0] in _PEEPS for reading in collected.readings):
        every_problem += _no_peep(ignored, count)
    if problems or any(one.kind in _NOTHING_READ for one in question.problems):
        # What could not be read may be what is missing.
        every_problem = [one for one in every_problem if one.kind not in _MAY_BE_UNREAD]
    if every_problem or person is None:
        raise Rejected(tuple(every_problem), ignored)
    encounters = collected.encounters
    return Request(
        person=person,
        readings=tuple(collected.readings),
        sources=tuple(collected.sources),
        ignored=ignored,
        notes=(*question.notes, *collected.notes),
        protocol=question.protocol,
        encounter=(unversioned(next(iter(encounters))) or None) if len(encounters) == 1 else None,
        preliminary_inputs=question.accept_preliminary
        and any(item.observation.status == "preliminary" for item in collected.used),
        write_back=question.write_back,
        make_current=question.make_current,
        with_report=question.with_report,
        as_of_s=question.as_of_s,
    )


def _categories(question: Question) -> dict[str, str]:
    """DeviceMetric.category by every way to refer to it."""
    found: dict[str, str] = {}
    for metric, _, full_url in question.metrics:
        if full_url:
            found[full_url] = metric.category
        if metric.id:
            found[f"DeviceMetric/{metric.id}"] = metric.category
    return found


def _unasked_metrics(question: Question, collected: Collected) -> list[Ignored]:
    """DeviceMetrics that no Observation's meaning hung on."""
    return [
        Ignored(
            path,
            reference_to("DeviceMetric", metric.id, "", full_url),
            Reason.NOT_USED.slug,
            "No Observation that is used refers to this DeviceMetric.",
        )
        for metric, path, full_url in question.metrics
        if not {f"DeviceMetric/{metric.id}", full_url} & collected.asked_devices
    ]


def _no_peep(ignored: tuple[Ignored, ...], count: int) -> list[Problem]:
    """What to say where there is no usable PEEP; where it is for lack of times, each is named."""
    sentence = (
        "No usable PEEP was sent: Observations of set PEEP (LOINC 20077-4) or measured PEEP (76248-4) are needed, "
        "each with a time."
    )
    missing = Problem(ProblemKind.MISSING, "", f"{count} readings, none of PEEP", "PEEP at each step", sentence)
    if count:
        return [missing]
    untimed = [
        Problem(
            ProblemKind.TIME_UNUSABLE,
            one.path,
            one.code,
            "a time with zone that is not in the future",
            f"{one.path}: {one.reason}",
        )
        for one in ignored
        if one.code in _TIME_REASONS
    ]
    return [*untimed, missing]
