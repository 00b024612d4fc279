"""Inspection of charted data: what is read of them, what is not, and what a trial lacks; also beside a refusal.

Profiling of a source before it is mapped; the draft ConceptMap is a proposal for a person. Nothing is answered here.

A refusal about a patient of the record tells beside its reason the period, the encounter and the searches that were
used; and, from one more search of the same time without codes, the numbers that were not understood, as `ebbmark
inspect` tells them: counts and ranges under their codes.
"""

from __future__ import annotations

import asyncio
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import msgspec

from ebbmark.fhir.model import ConceptMap
from ebbmark.fhir.naming import tail_of
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Ignored, ProblemKind, Rejected, each_once
from ebbmark.fhir.profile_report import Likely, as_read, as_text, as_values, draft_concept_map, in_short, likeliest
from ebbmark.fhir.profiling import Profile, ResourceMet, collection_of, profile_of, resources_in
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Limits, RequestContext
from ebbmark.fhir.reading.terminology import lay_over, rows_of
from ebbmark.fhir.times import instant
from ebbmark.record.client import RecordClient
from ebbmark.record.clinical_resources import limits_of
from ebbmark.record.record_query import RecordQuery, named_in_record, record_query_of, subject_of
from ebbmark.record.search import Budget, Found, FoundEntry, ReadFailure, TooMuch, read_one, search
from ebbmark.use_cases.titrate import titrate_request

_LIMITS = Limits(max_bytes=500_000_000, max_entries=1_000_000)
_READ_FOR_A_TRIAL = frozenset({"Patient", "Observation", "DeviceMetric"})


@dataclass(frozen=True, slots=True)
class Inspection:
    """What charted data hold.

    Attributes:
        profile: every code, unit and shape.
        proposed: what unread codes may be, by their place in the profile.
        trial: whether a trial can be read, and what is missing for one, as sentences.
    """

    profile: Profile
    proposed: dict[int, Likely]
    trial: tuple[str, ...]

    @property
    def text(self) -> str:
        """For people."""
        return as_text(self.profile, self.proposed, self.trial)

    @property
    def values(self) -> dict[str, object]:
        """For JSON."""
        return as_values(self.profile, self.proposed, self.trial)

    @property
    def draft(self) -> dict[str, object]:
        """A FHIR R4 ConceptMap of the proposals."""
        return draft_concept_map([(self.profile.codes[place], likely) for place, likely in self.proposed.items()])


def inspect(content: bytes, context: RequestContext, trial: tuple[str, ...] = ()) -> Inspection:
    """Profile charted data.

    Args:
        content: a FHIR R4 Bundle, NDJSON, a list of resources, or one resource; a ConceptMap among them counts.
        trial: what is told of a trial; empty to look for one in the content.

    Raises:
        Rejected: the content is none of these.
    """
    met, code_map = resources_in(content), context.code_map
    for one in met:
        if one.resource.get("resourceType") == "ConceptMap":
            try:
                code_map = lay_over(code_map, rows_of(msgspec.convert(one.resource, ConceptMap), one.path))
            except msgspec.ValidationError:
                continue
    profile = profile_of(met, at_s=context.at_s, code_map=code_map, accept_preliminary=context.accept_preliminary)
    proposed = {
        place: likely
        for place, one in enumerate(profile.codes)
        if not one.quantity and (likely := likeliest(one, profile)) is not None
    }
    context = replace(context, code_map=code_map, limits=_LIMITS)
    return Inspection(profile, proposed, trial or _trial(met, profile, content, context))


_OF_PERSON = {
    ProblemKind.SEX_NEEDED: "The form of the predicted weight formula is not known: Patient.gender, a sex parameter "
    "for clinical use, an Observation of sex, or the parameter sex-for-formula says it.",
    ProblemKind.CHILD: "The patient is no adult by the birth date.",
    ProblemKind.AGE_UNCLEAR: "The birth date leaves open whether the patient is an adult.",
    ProblemKind.HEIGHT_RANGE: "A height is beyond what is computed for adults: look at its value and unit.",
    ProblemKind.HEIGHT_CONFLICT: "Heights contradict one another.",
    ProblemKind.SEX_CONFLICT: "Statements of sex contradict one another.",
}
"""What is told of a person here, in place of sentences that hold a height or an age."""


def _trial(met: Sequence[ResourceMet], profile: Profile, content: bytes, context: RequestContext) -> tuple[str, ...]:
    """Whether a trial can be read, and what is missing for one, as sentences."""
    if profile.patients > 1:
        return (f"Not looked for: a trial is of one patient, and these are {profile.patients}. Inspect one of them.",)
    read = [one for one in met if one.resource["resourceType"] in _READ_FOR_A_TRIAL]
    body = content if b'"Parameters"' in content[:200] else collection_of(read)
    try:
        found = titrate_request(read_request(TITRATE_PEEP, body, context))
    except Rejected as rejected:
        return missing_for_a_trial(rejected)
    return (f"One can be read: {len(found.titration.trial.steps)} steps of PEEP.",)


def missing_for_a_trial(rejected: Rejected) -> tuple[str, ...]:
    """Why no trial can be read, as sentences without a height or an age."""
    told = [
        _OF_PERSON.get(one.kind) or as_read(f"{one.sentence} And {more} more." if more else one.sentence)
        for one, more in each_once(rejected.problems)
    ]
    return tuple(dict.fromkeys(told))


READ_FROM_RECORD = "read-from-record"
"""Code of what is told of the record beside the reason of a refusal."""

_FOR_WANT_OF_DATA = frozenset(
    {
        ProblemKind.MISSING,
        ProblemKind.NO_TRIAL,
        ProblemKind.TIME_UNUSABLE,
        ProblemKind.HEIGHT_UNIT,
        ProblemKind.SEX_NEEDED,
        ProblemKind.WRONG_DIMENSION,
    }
)
_MOST_S = 10.0
"""Longest time for the search beside a refusal [s]; our choice."""


async def refusal_from_record(
    rejected: Rejected,
    asked: RecordQuery,
    read: Sequence[str],
    context: RequestContext,
    *,
    record: RecordClient,
    until_s: float = math.inf,
) -> Rejected:
    """The same refusal, with what was read of the record and what was not understood there.

    Args:
        read: what was told of the reading, as sentences.
        until_s: when the whole request must be answered, by the clock of the event loop [s].
    """
    told = [_of_question(asked), *read]
    if any(problem.kind in _FOR_WANT_OF_DATA for problem in rejected.problems):
        told += await _not_understood(asked, context, record, until_s)
    problems = tuple([replace(problem, sentence=as_read(problem.sentence)) for problem in rejected.problems])
    ignored = [msgspec.structs.replace(one, reason=as_read(one.reason)) for one in rejected.ignored]
    lines = [Ignored("", "", READ_FROM_RECORD, sentence) for sentence in dict.fromkeys(told)]
    return Rejected(problems, (*lines, *ignored))


async def charted_in_record(patient: str, *, hours: float, at_s: float, record: RecordClient) -> bytes | str:
    """The Patient and all Observations of the last hours, whatever their codes, as a Bundle; or why not, as a clause.

    Raises:
        Rejected: this is no patient of the record.
    """
    body = named_in_record(patient, encounter=None, period=(at_s - 3600.0 * hours, at_s), parameters=())
    asked = record_query_of(body, base_url=record.settings.base_url, at_s=at_s)
    assert asked is not None  # noqa: S101 - the body names a patient
    person = await read_one(asked.patient, record=record, budget=Budget())
    if isinstance(person, ReadFailure):
        return person.sentence
    found = await _observations_of(asked, record=record)
    return found if isinstance(found, str) else collection_of([_as_met(person), *found])


async def _observations_of(asked: RecordQuery, *, record: RecordClient) -> list[ResourceMet] | str:
    """What the record holds of a patient and a time, whatever its codes and its encounter.

    Returns:
        The Observations, or why there are none, as a clause.
    """
    dates = [one for one in limits_of(asked) if one[0] == "date"]
    found = await _searched([*dates, ("_count", "200")], asked, record)
    if not isinstance(found, Found):
        return found
    return [_as_met(entry) for entry in found.entries if subject_of(entry.resource) == asked.patient]


async def _not_understood(
    asked: RecordQuery, context: RequestContext, record: RecordClient, until_s: float
) -> list[str]:
    most_s = max(0.0, min(_MOST_S, until_s - asyncio.get_running_loop().time()))
    try:
        async with asyncio.timeout(most_s):
            met = await _observations_of(asked, record=record)
            if not met:
                return [await _outside(asked, record)]
    except TimeoutError:
        met = f"it took longer than {most_s:.3g} s"
    if isinstance(met, str):
        return [f"What else the record holds in that time could not be read: {met}."]
    profile = await asyncio.to_thread(profile_of, met, at_s=context.at_s, code_map=context.code_map)
    told = [f"In that time the record holds {_many(len(met))} of this patient, whatever their codes."]
    if asked.encounter is not None:
        within = sum(_encounter_of(one.resource) == asked.encounter for one in met)
        told.append(f"Of these {within} are of {asked.encounter}, the encounter that was asked for.")
    return told + in_short(profile)


async def _outside(asked: RecordQuery, record: RecordClient) -> str:
    """Where the record has nothing in that time: when its latest Observation is of."""
    nothing = "In that time the record gives no Observation of this patient to our sign-in"
    found = await _searched([("_sort", "-date"), ("_count", "1")], asked, record, pages=1)
    entries = found.entries if isinstance(found, Found) else []
    of_patient = [entry.resource for entry in entries if subject_of(entry.resource) == asked.patient]
    when = next((text for one in of_patient if (text := _when(one))), "")
    if not when:
        return f"{nothing}."
    return f"{nothing}; one is of {when}. The parameter period (start and end) says which time is read."


async def _searched(
    query: Sequence[tuple[str, str]], asked: RecordQuery, record: RecordClient, pages: int = 10
) -> Found | str:
    budget = Budget(requests=pages, resources=2_000, size_bytes=5_000_000)
    found = await search(record, "Observation", [("patient", asked.patient), *query], budget=budget)
    if isinstance(found, Found):
        return found
    return found.what if isinstance(found, TooMuch) else found.sentence


def _of_question(asked: RecordQuery) -> str:
    within = f" and {asked.encounter}" if asked.encounter else ""
    chosen = (
        "the period asked for" if asked.period_given else "no period was asked for, so that the question's own was read"
    )
    return (
        f"The record was searched for Observations of this patient{within} from {instant(asked.start_s)} to "
        f"{instant(asked.end_s)} ({chosen}), by the codes that are understood (combo-code, patient, date"
        f"{', encounter' if asked.encounter else ''})."
    )


def _as_met(entry: FoundEntry) -> ResourceMet:
    """A resource of the record, for the profile of what was met."""
    decoded: object = msgspec.json.decode(entry.resource)
    resource = decoded if isinstance(decoded, dict) else {}
    return ResourceMet(resource, f"{entry.full_url or entry.head.id}", entry.full_url)


def _encounter_of(resource: Mapping[str, object]) -> str:
    encounter = resource.get("encounter")
    reference = encounter.get("reference") if isinstance(encounter, dict) else None
    return tail_of(reference) if isinstance(reference, str) else ""


class _Period(msgspec.Struct):
    start: str = ""


class _Timed(msgspec.Struct):
    effectiveDateTime: str = ""
    effectiveInstant: str = ""
    effectivePeriod: _Period = msgspec.field(default_factory=_Period)


def _when(resource: bytes) -> str:
    """The time of an Observation, where it looks like one."""
    try:
        timed = msgspec.json.decode(resource, type=_Timed)
    except msgspec.DecodeError:
        return ""
    text = timed.effectiveDateTime or timed.effectiveInstant or timed.effectivePeriod.start
    return text if re.fullmatch(r"[0-9T:.+Z\-]{4,35}", text) else ""


def _many(count: int) -> str:
    return "1 Observation" if count == 1 else f"{count} Observations"
