"""Answer a titration about a patient of the record: read there, then answer as any request.

Where no period was named, the latest trial of the last day is found first, and then read again from what was charted
within an hour of it: so the answer does not change with every pulse that is charted later, and asking again for the
same trial gives the same identity, which a write-back finds again.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import msgspec

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.bedside.site import NO_SITE, Site
from ebbmark.fhir.model import ConceptMap, Parameter
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.concept_map import lay_over, rows_of
from ebbmark.fhir.reading.read import CodeMap, Limits, read_request
from ebbmark.fhir.reading.request import Request as ReadRequest
from ebbmark.physiology.trial.reading import Trial
from ebbmark.record.client import RecordClient
from ebbmark.record.fetch import Fetched, fetch_trial
from ebbmark.record.post_filter import several_trials
from ebbmark.record.record_query import RecordQuery, record_query_of, with_bundle
from ebbmark.record.search import Budget, Waiting, no_record, took_too_long
from ebbmark.use_cases.refusal_from_record import refusal_from_record
from ebbmark.use_cases.titrate import recommend_for

__all__ = [
    "BEFORE_AND_AFTER_S",
    "ReadLimits",
    "own_codes",
    "read_fetched",
    "recommend_fetched",
    "recommend_from_record",
]

_CONDITIONS_NOT_READ = msgspec.Raw(b'{"name":"conditions-not-read","valueBoolean":true}')

BEFORE_AND_AFTER_S = 3600.0
"""What was charted this long before and after the trial belongs to it, such as hourly settings and gases [s]; our
choice."""


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """How much is read from the record for one question.

    Attributes:
        requests: pages and single reads.
        resources: in all.
        size_bytes: of all resources.
        total_s: longest time for all of it [s].
    """

    requests: int = 60
    resources: int = 5_000
    size_bytes: int = 20_000_000
    total_s: float = 30.0


async def recommend_from_record(
    body: bytes,
    *,
    at_s: float,
    record: RecordClient | None,
    waiting: Waiting,
    code_map: CodeMap,
    accept_preliminary: bool,
    limits: ReadLimits = ReadLimits(),
    site: Site = NO_SITE,
    withheld: frozenset[str] = frozenset(),
) -> Answer | None:
    """Answer a request that names a patient of the record.

    Args:
        body: FHIR R4 Parameters.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        record: where to read; None where no record is configured.
        waiting: how time passes between attempts.
        code_map: the site's own codes.
        accept_preliminary: whether Observations of status preliminary count where the request does not say.
        limits: how much is read.
        site: what the site has decided.
        withheld: resource types that the caller may not have read.

    Returns:
        The answer; None where the request names no patient of the record, but brings its data or is not readable.

    Raises:
        Rejected: with every problem found.
    """
    base_url = record.settings.base_url if record is not None else ""
    asked = record_query_of(body, base_url=base_url, at_s=at_s)
    if asked is None:
        return None
    if record is None:
        raise Rejected((no_record(),))
    fetched = await _fetched(asked, record, waiting, code_map, limits, withheld)
    reader = partial(
        read_fetched,
        asked,
        at_s=at_s,
        code_map=code_map,
        accept_preliminary=accept_preliminary,
        limits=limits,
        site=site,
    )
    # Off the event loop, so that nobody else waits for it.
    try:
        return await asyncio.to_thread(lambda: recommend_fetched(asked, fetched, reader(fetched), reader))
    except Rejected as rejected:
        raise await refusal_from_record(
            rejected, asked, fetched.bundle()[1], at_s=at_s, record=record, waiting=waiting, code_map=code_map
        ) from None


def recommend_fetched(
    asked: RecordQuery, fetched: Fetched, whole: ReadRequest, reader: Callable[[Fetched], ReadRequest]
) -> Answer:
    """Answer from what was read from a record, whoever read it.

    Args:
        asked: what was asked for.
        fetched: what the record held.
        whole: all of it as the reader made it of it.
        reader: the same reader, for a part of it.

    Raises:
        Rejected: it holds no trial, or leaves open which is meant.
    """
    first = recommend_for(whole)
    problems = several_trials(first.titration.trial, period_given=asked.period_given)
    if problems:
        raise Rejected(tuple(problems), first.ignored)
    if asked.period_given:
        return first
    steps = first.titration.trial.steps
    start_s, end_s = steps[0].start_s - BEFORE_AND_AFTER_S, steps[-1].end_s + BEFORE_AND_AFTER_S
    try:
        closer = reader(fetched.within(start_s, end_s))
        near = _again(first, whole, closer)
    except Rejected:
        return first
    if _shape(near.titration.trial) != _shape(first.titration.trial):
        return first
    # What was seen further away is still told.
    told = {one.sentence for one in near.titration.trial.observed}
    earlier = tuple(one.sentence for one in first.titration.trial.observed if one.sentence not in told)
    return replace(near, request=replace(near.request, notes=(*near.request.notes, *earlier)))


def _again(first: Answer, whole: ReadRequest, closer: ReadRequest) -> Answer:
    """The answer to the closer reading; the same inputs need not be reckoned with twice."""
    if (closer.readings, closer.sources, closer.person) != (whole.readings, whole.sources, whole.person):
        return recommend_for(closer)
    of_trial = first.ignored[len(whole.ignored) :]
    return replace(first, request=closer, ignored=(*closer.ignored, *of_trial))


def _shape(trial: Trial) -> list[tuple[float, float, float, float]]:
    """The steps without the numbers of their sources, which change with what is read."""
    return [(step.peep_cmh2o, step.start_s, step.end_s, step.compliance_ml_per_cmh2o) for step in trial.steps]


def read_fetched(
    asked: RecordQuery,
    fetched: Fetched,
    *,
    at_s: float,
    code_map: CodeMap,
    accept_preliminary: bool,
    limits: ReadLimits,
    site: Site,
) -> ReadRequest:
    """Read what a record held with the same reader as any request.

    Args:
        asked: what was asked for.
        fetched: what the record held.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        code_map: the site's own codes.
        accept_preliminary: whether Observations of status preliminary count where the request does not say.
        limits: how much was read.
        site: what the site has decided.

    Raises:
        Rejected: with every problem found.
    """
    bundle, notes = fetched.bundle()
    if not fetched.conditions_read:
        asked = replace(asked, rest=(*asked.rest, _CONDITIONS_NOT_READ))
    request = read_request(
        with_bundle(asked, bundle),
        at_s=at_s,
        limits=Limits(max_bytes=limits.size_bytes + 2_000_000, max_entries=limits.resources + 100),
        code_map=code_map,
        accept_preliminary=accept_preliminary,
        site=site,
    )
    return replace(request, notes=(*notes, *request.notes))


async def _fetched(
    asked: RecordQuery,
    record: RecordClient,
    waiting: Waiting,
    code_map: CodeMap,
    limits: ReadLimits,
    withheld: frozenset[str],
) -> Fetched:
    budget = Budget(limits.requests, limits.resources, limits.size_bytes)
    table = own_codes(code_map, asked).table
    try:
        async with asyncio.timeout(limits.total_s):
            return await fetch_trial(
                asked, record=record, table=table, budget=budget, waiting=waiting, withheld=withheld
            )
    except TimeoutError:
        raise Rejected((took_too_long(limits.total_s),)) from None


def own_codes(code_map: CodeMap, asked: RecordQuery) -> CodeMap:
    """The codes of a ConceptMap that came with the request are searched for, too; the reader judges the map.

    Args:
        code_map: the site's own codes.
        asked: with what else came.
    """
    for raw in asked.rest:
        try:
            parameter = msgspec.json.decode(raw, type=Parameter)
        except msgspec.DecodeError:
            continue
        if isinstance(parameter.resource, ConceptMap):
            code_map = lay_over(code_map, rows_of(parameter.resource, "")[0])
    return code_map
