"""The resources and parameters that a body holds: Parameters or a bare Bundle, sorted into a Question.

An Observation that is contained in a panel or a DiagnosticReport counts as an Observation of its own, named by its
container and its id there. Where it names no subject, the container's holds. A container that was taken back takes its
content with it. A pneumothorax in the coded conclusion of a report counts like a provisional Condition.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/references.html#contained, /diagnosticreport.html.
"""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import Any, Final

import msgspec

from ebbmark.fhir.model import (
    Bundle,
    Composition,
    ConceptMap,
    Condition,
    DeviceMetric,
    DiagnosticReport,
    Entry,
    MedicationAdministration,
    Meta,
    Observation,
    Other,
    Parameters,
    Patient,
    Procedure,
    Reference,
    Resource,
    Worded,
)
from ebbmark.fhir.naming import IDS, reference_to, tail_of
from ebbmark.fhir.operations import PARAMETERS, Operation
from ebbmark.fhir.problems import MOST_TOLD, Ignored, Problem, ProblemKind, Reason, word_shown
from ebbmark.fhir.reading.condition_codes import ConditionCodes
from ebbmark.fhir.reading.conditions import PNEUMOTHORAX, as_condition
from ebbmark.fhir.reading.duplicates import too_often
from ebbmark.fhir.reading.parameters import READERS, judge_together
from ebbmark.fhir.reading.request import (
    Asked,
    Question,
    Received,
    RequestContext,
    left_out,
    not_needed,
)

_TAKEN_BACK = frozenset({"entered-in-error", "cancelled"})
_REPORTED: Final = frozenset({"partial", "preliminary", "final", "amended", "corrected", "appended", "unknown"})
_MOST = 500


def contained_observations(
    container: Observation | DiagnosticReport, path: str, full_url: str
) -> tuple[list[Received[Observation]], list[Ignored]]:
    """The Observations within a resource, and those that cannot be read."""
    kind = type(container).__name__
    try:
        meta, subject_of = msgspec.convert((container.meta, container.subject), tuple[Meta | None, Reference | None])
    except msgspec.ValidationError:
        meta = subject_of = None
    named = reference_to(kind, container.id, meta.versionId if meta else "", full_url)
    listed = container.contained if isinstance(container.contained, list) else []
    found: list[Received[Observation]] = []
    left: list[Ignored] = []
    for number, one in enumerate(listed[:_MOST]):
        if not isinstance(one, dict) or one.get("resourceType") != "Observation":
            continue
        where = f"{path}.contained[{number}]"
        why = _why_not(container, one)
        if why is not None:
            left.append(Ignored(where, named, *why))
            continue
        try:
            observation = msgspec.convert(one, Observation)
        except (msgspec.ValidationError, RecursionError):
            sentence = "A contained Observation is not in the shape of FHIR R4."
            left.append(Ignored(where, named, Reason.NOT_A_QUANTITY.slug, sentence))
            continue
        subject = observation.subject or subject_of
        own = observation.id if IDS.fullmatch(observation.id) else ""
        place = f"{named}#{own or number}" if named else ""
        # An id within a container is no logical id: another container may have the same.
        whole = msgspec.structs.replace(observation, id="", meta=None, subject=subject)
        found.append(Received(whole, where, place))
    return found, left


def _why_not(container: Observation | DiagnosticReport, one: dict[str, object]) -> tuple[str, str] | None:
    if isinstance(container.status, str) and container.status in _TAKEN_BACK:
        return Reason.ENTERED_IN_ERROR.slug, f"The {type(container).__name__} that contains it was taken back."
    if container.modifierExtension or container.implicitRules:
        return Reason.MODIFIER_EXTENSION.slug, "Its container carries a modifier extension that is not known here."
    if one.get("contained"):
        return Reason.NOT_USED.slug, "FHIR R4 does not allow contained resources within one another."
    return None


_BUNDLE_TYPES = (
    *("collection", "searchset", "batch", "transaction", "batch-response", "transaction-response"),
    *("history", "document"),
)
"""Shapes in which a trial may come; a message asks for an act that we do not do."""

_OTHER_TYPES = frozenset({"message"})
_REPLIES = frozenset({"batch-response", "transaction-response", "history"})
"""Types whose entries may be without a resource: a failure, a deletion."""
_DEEPEST = 4
_ADDRESSES = re.compile(r"[!-~]*")  # RFC 3986, in ASCII
LONGEST_NAME, MOST_HINTS = 40, 10
"""Beyond these no name is compared with those that there are: the work stays small whatever is sent."""
_WITHOUT_RESOURCE = frozenset({"DELETE", "GET", "HEAD"})


def sort_resources(body: Parameters | Bundle, operation: Operation, context: RequestContext) -> Question:
    """Sort what was received by kind; nothing is interpreted yet."""
    # To the millisecond, as an answer writes it, so that a replay gets the very same instant.
    at_s, max_entries = round(context.at_s, 3), context.limits.max_entries
    asked = Asked(accept_preliminary=context.accept_preliminary)
    question = Question(site=context.site, at_s=at_s, as_of_s=at_s, asked=asked)
    if isinstance(body, Bundle):
        _bundle(body, "Bundle", operation, question, max_entries)
    else:
        _parameters(body, operation, question, max_entries)
    _refuse_odd_ids(question)
    _refuse_repeated(question)
    return question


def _parameters(body: Parameters, operation: Operation, question: Question, max_entries: int) -> None:
    if body.implicitRules:
        question.problems.append(_implicit_rules("Parameters"))
        return
    if len(body.parameter) > max_entries:
        _too_many(len(body.parameter), "Parameters.parameter", max_entries, question)
        return
    seen: set[str] = set()
    for number, parameter in enumerate(body.parameter):
        path = f"Parameters.parameter[{number}]"
        name = parameter.name
        if type(parameter.resource) is Other:
            continue  # the second look has named it
        if name not in operation.parameters:
            accepted = ", ".join(operation.parameters)
            found = word_shown(name, PARAMETERS, "another name")
            is_short = found != name and len(name) <= LONGEST_NAME and len(question.problems) < MOST_HINTS
            meant = get_close_matches(name, operation.parameters, n=1) if is_short else []
            perhaps = f"; is {meant[0]} meant?" if meant else ""
            sentence = f"There is no parameter of this name ({found}{perhaps}); accepted: {accepted}."
            question.problems.append(Problem(ProblemKind.UNKNOWN_PARAMETER, f"{path}.name", found, accepted, sentence))
        elif name in seen and PARAMETERS[name].maximum == "1":
            sentence = f"The parameter {name} may be given once."
            question.problems.append(Problem(ProblemKind.REPEATED_PARAMETER, path, name, "once", sentence))
        elif name == "bundle" and isinstance(parameter.resource, Bundle):
            _bundle(parameter.resource, f"{path}.resource", operation, question, max_entries)
        else:
            READERS[name](parameter, path, question)
        seen.add(name)
    judge_together(question)


def _bundle(
    bundle: Bundle, path: str, operation: Operation, question: Question, max_entries: int, depth: int = 0
) -> None:
    if bundle.type not in _BUNDLE_TYPES:
        accepted = ", ".join(_BUNDLE_TYPES)
        found = word_shown(bundle.type, _OTHER_TYPES, "another" if bundle.type else "(none)")
        sentence = f"A Bundle of type {found} is not read; accepted: {accepted}."
        question.problems.append(Problem(ProblemKind.BUNDLE_TYPE, f"{path}.type", found, accepted, sentence))
        return
    if bundle.implicitRules:
        question.problems.append(_implicit_rules(path))
        return
    if len(bundle.entry) + len(question.observations) > max_entries:
        _too_many(len(bundle.entry) + len(question.observations), f"{path}.entry", max_entries, question)
        return
    if any(link.relation == "next" for link in bundle.link):
        question.notes.append("The search result has a further page that was not sent; it may be incomplete.")
    if bundle.type == "document" and _is_taken_back(bundle, path, question):
        return
    observations = question.observations
    deleted: set[str] = set()
    for number, entry in enumerate(bundle.entry):
        resource = entry.resource
        if entry.request is not None and entry.request.method in _WITHOUT_RESOURCE:
            deleted.add(tail_of(entry.request.url) if entry.request.method == "DELETE" else "")
            _no_resource(entry, f"{path}.entry[{number}]", question)
        elif type(resource) is Observation:
            received = Received(resource, f"{path}.entry[{number}].resource", entry.fullUrl)
            if bundle.type == "history" and f"Observation/{resource.id}" in deleted:
                question.ignored.append(left_out(received, Reason.CANCELLED, "It was deleted, as the history says."))
                continue
            observations.append(received)
            if resource.contained:
                _contained(resource, received.path, entry.fullUrl, question)
        elif resource is None and bundle.type in _REPLIES:
            sentence = "This entry carries no resource: nothing was read, or it failed."
            question.ignored.append(Ignored(f"{path}.entry[{number}]", "", Reason.NOTHING_TO_READ.slug, sentence))
        elif resource is None:
            _no_resource(entry, f"{path}.entry[{number}]", question)
        elif isinstance(resource, Bundle) and depth < _DEEPEST:
            _bundle(resource, f"{path}.entry[{number}].resource", operation, question, max_entries, depth + 1)
        else:
            _resource(resource, f"{path}.entry[{number}].resource", entry.fullUrl, operation, question)


def _contained(container: Observation | DiagnosticReport, path: str, full_url: str, question: Question) -> None:
    found, left = contained_observations(container, path, full_url)
    question.observations += found
    question.ignored += left


def _is_taken_back(document: Bundle, path: str, question: Question) -> bool:
    """Whether the Composition of a document says that it was entered in error."""
    for number, entry in enumerate(document.entry):
        if isinstance(entry.resource, Composition) and entry.resource.status == "entered-in-error":
            sentence = "The document was entered in error, as its Composition says."
            where = f"{path}.entry[{number}].resource"
            question.ignored.append(Ignored(where, "", Reason.ENTERED_IN_ERROR.slug, sentence))
            return True
    return False


def _implicit_rules(path: str) -> Problem:
    sentence = "It says that it is to be read by rules of its own (implicitRules), which are not known here."
    return Problem(ProblemKind.IMPLICIT_RULES, f"{path}.implicitRules", "rules of its own", "none", sentence)


def _refuse_odd_ids(question: Question) -> None:
    """Refuse ids, versions and fullUrls that are not in the form of FHIR: results name their inputs by them."""
    received: list[Received[Any]] = [
        *question.observations,
        *question.patients,
        *question.conditions,
        *question.infusions,
        *question.metrics,
    ]
    # All at once and without an expression, which takes three times as long: one that is odd is rare.
    addresses, ids = "".join([one.full_url for one in received]), [one.resource.id for one in received]
    ids += [meta.versionId for one in received if (meta := getattr(one.resource, "meta", None)) is not None]
    plain = "".join(ids).replace("-", "").replace(".", "")
    sound = not plain or (plain.isascii() and plain.isalnum())
    if sound and addresses.isascii() and addresses.isprintable() and " " not in addresses:
        return
    named = [(f"{one.path}.id", one.resource.id) for one in received]
    named += [
        (f"{one.path}.meta.versionId", meta.versionId)
        for one in received
        if (meta := getattr(one.resource, "meta", None))
    ]
    urls = [(f"{one.path.removesuffix('.resource')}.fullUrl", one.full_url) for one in received]
    of_ids, of_urls = "letters A to Z and a to z, digits, hyphens and full stops", "an address without blanks"
    odd = [(place, of_ids) for place, text in named if not IDS.fullmatch(text)]
    odd += [(place, of_urls) for place, text in urls if not _ADDRESSES.fullmatch(text)]
    for place, accepted in odd[:MOST_TOLD]:
        sentence = f"What stands here is not in the form of FHIR; needed is: {accepted}."
        question.problems.append(Problem(ProblemKind.NOT_AN_ID, place, "another text", accepted, sentence))


def _refuse_repeated(question: Question) -> None:
    """Leave out what repeats an element more often than is read, with a problem for each."""
    for item in question.observations:
        observation = item.resource
        if observation.component or observation.identifier or observation.contained or len(observation.code.coding) > 1:
            problem = too_often(observation, item.path)
            if problem is not None:
                question.problems.append(problem)
    for received in question.patients:
        problem = too_often(received.resource, received.path)
        if problem is not None:
            question.problems.append(problem)
    if any(problem.kind is ProblemKind.TOO_MANY_ENTRIES for problem in question.problems):
        question.observations, question.patients = [], []
        del question.problems[MOST_TOLD:]


def _no_resource(entry: Entry, path: str, question: Question) -> None:
    if entry.request is not None and entry.request.method in _WITHOUT_RESOURCE:
        sentence = f"A {entry.request.method} entry carries nothing to read."
        question.ignored.append(Ignored(path, "", Reason.NOTHING_TO_READ.slug, sentence))
        return
    sentence = "This entry has no resource."
    question.problems.append(
        Problem(ProblemKind.ELEMENT_MISSING, f"{path}.resource", "nothing", "a resource", sentence)
    )


def _resource(resource: Resource, path: str, full_url: str, operation: Operation, question: Question) -> None:
    if type(resource) is Other:
        return  # the second look has named it
    if isinstance(resource, Patient):
        question.patients.append(Received(resource, path, full_url))
    elif isinstance(resource, DeviceMetric):
        question.metrics.append(Received(resource, path, full_url))
    elif isinstance(resource, Condition) and operation.reads_conditions:
        question.conditions.append(Received(resource, path, full_url))
    elif isinstance(resource, Procedure) and operation.reads_conditions and (going_on := as_condition(resource)):
        question.conditions.append(Received(going_on, path, full_url, "Procedure"))
    elif isinstance(resource, MedicationAdministration) and operation.reads_conditions:
        question.infusions.append(Received(resource, path, full_url))
    else:
        if isinstance(resource, DiagnosticReport):
            if resource.contained:
                _contained(resource, path, full_url, question)
            if operation.reads_conditions and (concluded := _concluded(resource, question.site.condition_codes)):
                # It keeps no id of its own: a Condition may have the same.
                version = concluded.meta.versionId if concluded.meta else ""
                named = reference_to("DiagnosticReport", resource.id, version, full_url)
                question.conditions.append(Received(concluded, path, named, "DiagnosticReport"))
                return
        kind = type(resource).__name__
        reference = reference_to(kind, getattr(resource, "id", ""), "", full_url)
        hint = " Send it as the parameter concept-map." if isinstance(resource, ConceptMap) else ""
        question.ignored.append(Ignored(path, reference, Reason.NOT_USED.slug, f"{not_needed(kind)}{hint}"))


def _concluded(report: DiagnosticReport, codes: ConditionCodes) -> Condition | None:
    """The pneumothorax that a report concludes by a code, as a provisional Condition; None where it names none."""
    if report.status not in _REPORTED:
        return None
    listed = report.conclusionCode if isinstance(report.conclusionCode, list) else []
    for one in listed[:_MOST]:
        try:
            code = msgspec.convert(one, Worded)
            if PNEUMOTHORAX not in codes.concepts_of([(coding.system, coding.code) for coding in code.coding]):
                continue
            return msgspec.convert(
                {
                    "resourceType": "Condition",
                    **{name: getattr(report, name) for name in ("meta", "modifierExtension", "subject")},
                    "implicitRules": report.implicitRules or "",
                    "clinicalStatus": {"coding": [{"code": "active"}]},
                    "verificationStatus": {"coding": [{"code": "provisional"}]},
                    "code": one,
                },
                Condition,
            )
        except msgspec.ValidationError:
            continue
    return None


def _too_many(count: int, path: str, most: int, question: Question) -> None:
    sentence = f"The request has {count} entries; at most {most} are read."
    question.problems.append(Problem(ProblemKind.TOO_MANY_ENTRIES, path, str(count), str(most), sentence))
