"""What was asked at the bedside? From the bytes of a request to one valid question, or to every reason why not.

Readings, patient and shared parameters are read as for `$titrate-peep`; Conditions, charted changes and the questions'
own parameters are read beside them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from ebbmark.fhir.bedside.asked import Asked
from ebbmark.fhir.bedside.belonging import (
    age_of,
    but_ours,
    is_about_weight,
    not_weighed,
    not_yet,
    of_another_patient,
    subject_of,
)
from ebbmark.fhir.bedside.body import resources_of
from ebbmark.fhir.bedside.changes import coded_changes
from ebbmark.fhir.bedside.conditions import Conditions, Documented, read_conditions
from ebbmark.fhir.bedside.given import without_ours
from ebbmark.fhir.bedside.infusions import Infusions, read_infusions
from ebbmark.fhir.bedside.rhythms import coded_rhythms
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.bedside.unusable import doubts_of
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.admission import USABLE_STATUSES, note_subjects
from ebbmark.fhir.reading.body import decode
from ebbmark.fhir.reading.careful import too_deep
from ebbmark.fhir.reading.collected import Context
from ebbmark.fhir.reading.concept_map import CodeMap, lay_over
from ebbmark.fhir.reading.observations import read_observations
from ebbmark.fhir.reading.patient import read_person
from ebbmark.fhir.reading.question import Question
from ebbmark.fhir.reading.read import Limits
from ebbmark.fhir.reading.take_apart import take_apart
from ebbmark.fhir.references import unversioned
from ebbmark.fhir.request import Ignored, Person, Source
from ebbmark.physiology.after.seen import CodedChange
from ebbmark.physiology.before.vasopressors import Infusion
from ebbmark.physiology.during.doubts import Doubt
from ebbmark.physiology.during.rhythm_codes import NO_RHYTHM, Rhythms
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Reading

__all__ = ["BedsideRequest", "HowToRead", "read_bedside"]


@dataclass(frozen=True, slots=True)
class BedsideRequest:
    """One question, valid by construction.

    Attributes:
        subject: what results will name as subject.
        person: None where height or sex is not known; then nothing that needs a predicted weight is said.
        age_years: None where not known.
        readings: every usable reading.
        sources: the inputs that readings, height, Conditions and changes came from.
        devices: of each source of a reading, by index; empty text where none is named.
        ignored: every input that does not count.
        doubts: readings among them of which something can be told none the less.
        notes: how the input was read.
        encounter: where every used Observation names the same one, else None.
        as_of_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        protocol: rules for reading a trial.
        asked: what else was asked.
        conditions: Conditions that count, with the index of their source.
        infusions: vasopressors, each with the index of its source.
        unjudged: Conditions that may be there and of which nobody can say here what they mean.
        charted: the words in which each Condition was charted, by its FHIRPath.
        changes: charted changes of position and mode.
        rhythms: charted heart rhythms.
    """

    subject: str
    person: Person | None
    age_years: float | None
    readings: tuple[Reading, ...]
    sources: tuple[Source, ...]
    devices: tuple[str, ...]
    ignored: tuple[Ignored, ...]
    doubts: tuple[Doubt, ...]
    notes: tuple[str, ...]
    encounter: str | None
    as_of_s: float
    protocol: Protocol
    asked: Asked
    conditions: tuple[tuple[Documented, int], ...]
    infusions: tuple[Infusion, ...]
    unjudged: tuple[Ignored, ...]
    charted: Mapping[str, str]
    changes: tuple[CodedChange, ...]
    rhythms: Rhythms


@dataclass(frozen=True, slots=True)
class HowToRead:
    """How a question is read: the same for every question but for these.

    Attributes:
        parameters: names that it takes.
        needs_weight: whether it can only be answered with height and sex.
        reads_rhythm: whether it looks at charted heart rhythms.
    """

    parameters: tuple[str, ...]
    needs_weight: bool
    reads_rhythm: bool = False


def read_bedside(
    body: bytes,
    how: HowToRead,
    *,
    at_s: float,
    site: Site,
    limits: Limits,
    code_map: CodeMap,
    accept_preliminary: bool,
) -> BedsideRequest:
    """Read a FHIR R4 Parameters or Bundle.

    Args:
        body: UTF-8 JSON as received.
        how: which parameters are taken, and whether height and sex are needed.
        at_s: the instant of the request [s since 1970-01-01T00:00:00Z].
        site: what the site has decided.
        limits: how much is read at most.
        code_map: the site's own codes.
        accept_preliminary: whether preliminary Observations count where the request does not say.

    Raises:
        Rejected: with every problem found, and every input that did not count.
    """
    try:
        decoded, problems = decode(body, limits)
        if decoded is None:
            raise Rejected(tuple(problems))
        asked = Asked()
        theirs = without_ours(decoded, how.parameters, asked, site)
        question = take_apart(theirs, at_s=at_s, accept_preliminary=accept_preliminary, max_entries=limits.max_entries)
        question.problems[:0] = [*problems, *asked.problems]
        conditions, infusions = Conditions(), Infusions()
        if "condition" in how.parameters:
            conditions = read_conditions(resources_of(body, "Condition"), site.condition_codes)
            infusions = read_infusions(resources_of(body, "MedicationAdministration"), question.as_of_s)
        return _answerable(question, conditions, infusions, asked, how, site, code_map)
    except RecursionError:
        raise Rejected((too_deep(),)) from None


def _answerable(
    question: Question,
    conditions: Conditions,
    infusions: Infusions,
    asked: Asked,
    how: HowToRead,
    site: Site,
    code_map: CodeMap,
) -> BedsideRequest:
    if question.code_rows:
        code_map = lay_over(code_map, question.code_rows)
    received = question.observations
    changes: list[CodedChange] = []
    of_changes: list[Source] = []
    if "titrated-at" in how.parameters:
        changes, of_changes, question.observations = coded_changes(question.observations, 0, question.as_of_s)
    rhythms, of_rhythms = NO_RHYTHM, list[Source]()
    if how.reads_rhythm:
        rhythms, of_rhythms, question.observations = coded_rhythms(question, code_map.table)
    collected = read_observations(question.observations, _context(question, code_map))
    note_subjects(received, question.observations, collected)
    person = read_person(question.patients, question.sex, question.as_of_s, collected)
    weightless = [one for one in collected.problems if is_about_weight(one)]
    stopping = [*question.problems, *conditions.problems, *infusions.problems]
    stopping += collected.problems if how.needs_weight else [one for one in collected.problems if one not in weightless]
    subject = person.reference if person else subject_of(question, collected)
    stopping += of_another_patient(subject, question, conditions, infusions)
    stopping += not_yet(asked, question.as_of_s)
    ignored = [*but_ours(question.ignored, conditions, infusions), *collected.ignored]
    ignored += [*conditions.ignored, *infusions.ignored]
    if person is None:
        # What stands in the way of a predicted weight does not stop this question; it is listed instead.
        ignored += [Ignored(one.expression, "", one.kind.slug, _told(one)) for one in weightless if one.expression]
        ignored += not_weighed(collected, {one.path for one in ignored})
    if stopping or (how.needs_weight and person is None):
        raise Rejected(tuple(stopping), tuple(ignored))
    first_change = len(collected.sources)
    first_rhythm = first_change + len(of_changes)
    first_condition = first_rhythm + len(of_rhythms)
    first_infusion = first_condition + len(conditions.documented)
    notes = [*question.notes, *collected.notes, *conditions.notes]
    notes += dict.fromkeys(f"Predicted body weight is not known. {one.sentence}" for one in weightless)
    if any(item.observation.status == "preliminary" for item in collected.used):
        notes.append("At least one reading that was used is itself preliminary in the record.")
    encounters = collected.encounters
    return BedsideRequest(
        subject=subject,
        person=person,
        age_years=person.age_years if person else age_of(question),
        readings=tuple(collected.readings),
        sources=(
            *collected.sources,
            *of_changes,
            *of_rhythms,
            *[one.source for one in conditions.documented],
            *infusions.sources,
        ),
        devices=tuple(
            unversioned(one.reference) if (one := item.observation.device) else "" for item in collected.used
        ),
        ignored=tuple(ignored),
        doubts=doubts_of(question.observations, collected.ignored, code_map.table),
        notes=tuple(notes),
        encounter=(unversioned(next(iter(encounters))) or None) if len(encounters) == 1 else None,
        as_of_s=question.as_of_s,
        protocol=asked.protocol or site.default_protocol,
        asked=asked,
        conditions=tuple((one, first_condition + place) for place, one in enumerate(conditions.documented)),
        infusions=tuple(one._replace(source=first_infusion + one.source) for one in infusions.read),
        unjudged=tuple(conditions.unjudged),
        charted=conditions.charted,
        changes=tuple(replace(one, source=first_change + one.source) for one in changes),
        rhythms=replace(rhythms, read=tuple(replace(one, source=first_rhythm + one.source) for one in rhythms.read)),
    )


def _told(one: Problem) -> str:
    """Why an input gives no predicted weight; what several of them share is told once, in the remarks."""
    what = {ProblemKind.HEIGHT_CONFLICT: "height", ProblemKind.SEX_CONFLICT: "statement of sex"}.get(one.kind)
    return f"This {what} is not used, since another one contradicts it." if what else one.sentence


def _context(question: Question, code_map: CodeMap) -> Context:
    categories: dict[str, str] = {}
    for metric, _, full_url in question.metrics:
        categories |= {full_url: metric.category} if full_url else {}
        categories |= {f"DeviceMetric/{metric.id}": metric.category} if metric.id else {}
    return Context(
        code_map=code_map,
        statuses=USABLE_STATUSES | {"preliminary"} if question.accept_preliminary else USABLE_STATUSES,
        now_s=question.as_of_s,
        categories=categories,
    )
