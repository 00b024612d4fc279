"""From the bytes of a FHIR R4 request to one valid Request of any operation, or to every reason why not.

Bytes are decoded once into lean typed structures (`model`); only where that fails does a slower second look
(`decode`) find out why.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterable
from dataclasses import replace
from datetime import UTC, datetime

from ebbmark.fhir.model import Component, Observation
from ebbmark.fhir.naming import tail_of, unversioned
from ebbmark.fhir.operations import Operation
from ebbmark.fhir.problems import Ignored, MappedCode, Problem, ProblemKind, Reason, Rejected
from ebbmark.fhir.reading.charting import as_charted, doubts_of
from ebbmark.fhir.reading.codes import NO_CODE_MAP, CodeMap
from ebbmark.fhir.reading.conditions import mixed, read_body_mass, read_conditions
from ebbmark.fhir.reading.decode import decode, too_deep
from ebbmark.fhir.reading.events import CHANGE_CODES, read_infusions
from ebbmark.fhir.reading.observations import read_observations
from ebbmark.fhir.reading.parse_resources import sort_resources
from ebbmark.fhir.reading.patient import read_person, status_of
from ebbmark.fhir.reading.request import (
    USABLE_STATUSES,
    Collected,
    Context,
    Question,
    Request,
    RequestContext,
    left_out,
)
from ebbmark.fhir.reading.terminology import MapRows, lay_over
from ebbmark.fhir.reading.units import UCUM, contradicts, unit_shown
from ebbmark.fhir.times import age_range_years
from ebbmark.physiology.readings import Quantity

_PEEPS = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})
_MAY_BE_UNREAD = frozenset({ProblemKind.MISSING, ProblemKind.SEX_NEEDED})
_OF_CONDITIONS = frozenset({"Condition", "MedicationAdministration"})
_NO_RESOURCE_PASSED_OVER: frozenset[str] = frozenset()
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

_OF_WEIGHT = frozenset(
    {
        ProblemKind.SEX_NEEDED,
        ProblemKind.SEX_CONFLICT,
        ProblemKind.HEIGHT_UNIT,
        ProblemKind.HEIGHT_RANGE,
        ProblemKind.HEIGHT_CONFLICT,
    }
)


def read_request(operation: Operation, body: bytes, context: RequestContext) -> Request:
    """Read a FHIR R4 Parameters or Bundle.

    Raises:
        Rejected: with every problem found, and every input that did not count.
    """
    try:
        not_read = _NO_RESOURCE_PASSED_OVER if operation.reads_conditions else _OF_CONDITIONS
        decoded, problems = decode(body, context.limits, not_read=not_read)
        if decoded is None:
            raise Rejected(tuple(problems))
        return _answerable(sort_resources(decoded, operation, context), operation, context.code_map, problems)
    except RecursionError:  # what the decoder just took in, a comparison may still find too deep
        raise Rejected((too_deep(),)) from None


def is_about_weight(problem: Problem) -> bool:
    """Whether this stands only in the way of a predicted weight."""
    return problem.kind in _OF_WEIGHT or (problem.kind is ProblemKind.MISSING and problem.found == "no height")


def _answerable(question: Question, operation: Operation, code_map: CodeMap, of_shape: list[Problem]) -> Request:
    """The request, if it can be answered.

    Args:
        of_shape: problems of the shape of the body, in which what is missing may have been.
    """
    if question.code_rows or question.unit_rows:
        code_map = lay_over(code_map, MapRows(question.code_rows, question.unit_rows, Counter(), []))
    context = _context(question, operation, code_map)
    question.notes += _contradicting_units(question)
    if code_map.charting or code_map.texts:
        question.observations, remarks = as_charted(question.observations, code_map)
        question.notes += remarks
    collected = read_observations(question.observations, context)
    read = len(collected.readings)
    person = read_person(question.patients, question.asked.sex, question.as_of_s, collected)
    coded, first_coded = collected.coded_values, len(collected.sources)
    collected.sources += coded.sources
    if question.conditions:
        read_conditions(question.conditions, context, collected)
    bmi = None
    if collected.weights:
        height_cm = person.height_cm if person and operation.reads_conditions else None
        until_s = max([reading.end_s for reading in collected.readings], default=question.as_of_s)
        bmi = read_body_mass(height_cm, until_s, collected)
    if question.infusions:
        read_infusions(question.infusions, context, collected)
    subject = collected.subject if person else _subject_of(question, collected)
    weightless = (
        [] if operation.needs_weight else [problem for problem in collected.problems if is_about_weight(problem)]
    )
    ignored = [*question.ignored, *collected.ignored]
    ignored += _unasked_metrics(question, collected)
    problems = [*of_shape, *question.problems]
    problems += (
        [problem for problem in collected.problems if problem not in weightless] if weightless else collected.problems
    )
    problems += _of_another_patient(subject, question, collected)
    if operation.needs_peep and not any(reading[0] in _PEEPS for reading in collected.readings):
        problems += _no_peep(ignored, read)
    if of_shape or any(problem.kind in _NOTHING_READ for problem in question.problems):
        # What could not be read may be what is missing.
        problems = [problem for problem in problems if problem.kind not in _MAY_BE_UNREAD]
    if person is None and not operation.needs_weight:
        # What stands in the way of a predicted weight does not stop this question; it is listed instead.
        ignored += [Ignored(one.expression, "", one.kind.slug, _told(one)) for one in weightless if one.expression]
        ignored += _not_weighed(collected, {one.path for one in ignored})
    if problems or (operation.needs_weight and person is None):
        raise Rejected(tuple(problems), tuple(ignored))
    encounters = collected.encounters
    asked = question.asked
    return Request(
        subject=subject,
        person=person,
        age_years=person.age_years if person else _age_of(question),
        readings=tuple(collected.readings),
        sources=tuple(collected.sources),
        devices=tuple([unversioned(one.reference) if (one := item.resource.device) else "" for item in collected.used]),
        ignored=tuple(ignored),
        doubts=doubts_of(question.observations, collected.ignored, code_map.table) if collected.ignored else (),
        notes=(
            *question.notes,
            *collected.notes,
            *dict.fromkeys(f"Predicted body weight is not known. {one.sentence}" for one in weightless),
        ),
        protocol=asked.protocol or question.site.default_protocol,
        stop_limits=question.site.stop_limits,
        status=status_of(question.patients, question.as_of_s),
        encounter=(unversioned(next(iter(encounters))) or None) if len(encounters) == 1 else None,
        preliminary_inputs=asked.accept_preliminary
        and any(item.resource.status == "preliminary" for item in collected.used),
        as_of_s=question.as_of_s,
        asked=asked,
        conditions=tuple(collected.documented),
        infusions=tuple(collected.infusions),
        unjudged=tuple(collected.unjudged),
        perhaps=frozenset(collected.perhaps),
        named_pneumothorax=frozenset(collected.named_pneumothorax),
        charted=collected.charted,
        body_mass_index=bmi,
        changes=tuple([replace(change, source=first_coded + change.source) for change in coded.changes]),
        rhythms=replace(
            coded.rhythms,
            read=tuple([replace(one, source=first_coded + one.source) for one in coded.rhythms.read]),
        ),
        mapped_codes=_mapped_codes(question, code_map),
    )


def _contradicting_units(question: Question) -> list[str]:
    """Where a value is shown to people in another unit than its code says; the code counts."""
    found = {
        (sent.unit, sent.code) for observation in question.observations if (sent := observation.resource.valueQuantity)
    }
    panels = [
        part
        for observation in question.observations
        if observation.resource.component
        for part in observation.resource.component
    ]
    found |= {(sent.unit, sent.code) for part in panels if (sent := part.valueQuantity)}
    return [
        f"A value is shown in {unit_shown(unit)} and coded in {unit_shown(code)}: the code counts; look at it."
        for unit, code in sorted(found)
        if contradicts(unit, code)
    ]


def _mapped_codes(question: Question, code_map: CodeMap) -> tuple[MappedCode, ...]:
    """The site's own codes and units among those received; a replay needs them to read the same inputs in the same way.

    Those of inputs that do not count are among them: what cannot be used can still be a reason for a caution.
    """
    if code_map.table is NO_CODE_MAP.table:
        return ()
    found: dict[tuple[str, str], tuple[str, str]] = {}
    units: dict[tuple[str, str], tuple[str, str]] = {}
    observations = [item.resource for item in question.observations]
    holders: list[Observation | Component] = [
        *observations,
        *[part for observation in observations for part in observation.component],
    ]
    for holder in holders:
        for key in ((coding.system, coding.code) for coding in holder.code.coding):
            if row := code_map.table.get(key):
                found[key] = row.mapped_to
        if (sent := holder.valueQuantity) and (
            ucum := code_map.units.get(key := (sent.system, sent.code or sent.unit))
        ):
            units[key] = (UCUM, ucum)
    rows = (*found.items(), *units.items())
    return tuple(sorted(MappedCode(*at, *mapped_to) for at, mapped_to in rows if mapped_to[1]))


def _context(question: Question, operation: Operation, code_map: CodeMap) -> Context:
    rhythms = code_map.rhythms if operation.reads_rhythms else frozenset()
    return Context(
        code_map=code_map,
        statuses=USABLE_STATUSES | {"preliminary"} if question.asked.accept_preliminary else USABLE_STATUSES,
        now_s=question.as_of_s,
        categories=_categories(question) if question.metrics else {},
        coded=rhythms | CHANGE_CODES.keys() if operation.reads_changes else rhythms,
        rhythms=rhythms,
        condition_codes=question.site.condition_codes,
    )


def _categories(question: Question) -> dict[str, str]:
    """DeviceMetric.category by every way to refer to it."""
    found: dict[str, str] = {}
    for metric in question.metrics:
        if metric.full_url:
            found[metric.full_url] = metric.resource.category
        if metric.resource.id:
            found[f"DeviceMetric/{metric.resource.id}"] = metric.resource.category
    return found


def _unasked_metrics(question: Question, collected: Collected) -> list[Ignored]:
    """DeviceMetrics that no Observation's meaning hung on."""
    return [
        left_out(metric, Reason.NOT_USED, "No Observation that is used refers to this DeviceMetric.")
        for metric in question.metrics
        if not {f"DeviceMetric/{metric.resource.id}", metric.full_url} & collected.asked_devices
    ]


def _no_peep(ignored: Iterable[Ignored], read: int) -> list[Problem]:
    """What to say where there is no usable PEEP; where it is for lack of times, each is named."""
    sentence = (
        "No usable PEEP was sent: Observations of set PEEP (LOINC 20077-4) or measured PEEP (76248-4) are needed, "
        "each with a time."
    )
    missing = Problem(ProblemKind.MISSING, "", f"{read} readings, none of PEEP", "PEEP at each step", sentence)
    if read:
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


def _told(one: Problem) -> str:
    """Why an input gives no predicted weight; what several of them share is told once, in the remarks."""
    what = {ProblemKind.HEIGHT_CONFLICT: "height", ProblemKind.SEX_CONFLICT: "statement of sex"}.get(one.kind)
    return f"This {what} is not used, since another one contradicts it." if what else one.sentence


def _not_weighed(collected: Collected, listed: Container[str]) -> Iterable[Ignored]:
    """Heights and sexes of which no predicted weight is computed, but those whose value is listed already."""
    found = [(f"{height.path}.valueQuantity", height.item, height.part) for height in collected.heights]
    # Where one sex was chosen, the others are listed as such.
    found += [(sex.path, sex.item, sex.part) for sex in collected.sexes if sex.item.path + sex.part not in listed]
    for path, item, part in found:
        if path not in listed:
            yield left_out(item, Reason.NOT_USED, "No predicted weight is computed.", part)


def _subject_of(question: Question, collected: Collected) -> str:
    """What results name as subject, where height or sex is not known."""
    if question.patients:
        patient = question.patients[0]
        return f"Patient/{patient.resource.id}" if patient.resource.id else patient.full_url
    subjects = {unversioned(reference) for reference in collected.subjects}
    return min((subject for subject in subjects if "://" in subject), default="") or min(subjects, default="")


def _of_another_patient(subject: str, question: Question, collected: Collected) -> Iterable[Problem]:
    """Conditions and infusions of somebody else."""
    urls = {patient.full_url for patient in question.patients if patient.full_url}
    for (kind, reference), path in collected.other_subjects.items():
        plain = unversioned(reference)
        if plain not in urls and (not subject or tail_of(plain) != tail_of(subject)):
            yield mixed(kind, path)


def _age_of(question: Question) -> float | None:
    """Completed years, the youngest that a partial birth date allows; None where not known."""
    birth = question.patients[0].resource.birthDate if question.patients else ""
    ages = age_range_years(birth, datetime.fromtimestamp(question.as_of_s, UTC).date()) if birth else None
    return float(ages[0]) if ages is not None else None
