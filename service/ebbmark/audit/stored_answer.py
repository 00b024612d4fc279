"""Reads a stored answer: its normal form, what it says of itself, and what a replay needs besides it.

Whatever somebody sends as an answer is read here first. Anything without the shape of an answer is refused with a text
that names the place and quotes nothing of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import msgspec

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.model import Reference
from ebbmark.fhir.naming import PROTOCOL_SYSTEM, PROVENANCE, REPORT, REPORT_PROVENANCE, operation_url
from ebbmark.fhir.operations import BY_SLUG, FROM_RECORD, PARAMETERS, TITRATE_PEEP, Operation
from ebbmark.fhir.problems import Ignored
from ebbmark.fhir.times import seconds
from ebbmark.fhir.writing.normal_form import NormalForm, NotAnAnswer, kind_of, normal_form
from ebbmark.fhir.writing.provenance import ENTERER, REQUEST_PARAMETERS
from ebbmark.fhir.writing.supersession import SUPERSEDED_SYSTEM, unmarked
from ebbmark.fhir.writing.transaction import unpacked

Json = Mapping[str, object]

ALL_READ = "none was left out."
"""End of the remark that stands where there is nothing to list."""

DEEPEST = 60
"""Levels of nesting that are read; a whole answer has fewer than 20."""

_DELIVERY = frozenset({"bundle", "patient", "observation", "condition", "write-back", "make-current", "with-report"})
CHOICES = frozenset(PARAMETERS) - _DELIVERY - {row.name for row in FROM_RECORD}
"""Names of the parameters that say what is asked of the data and how they are to be read."""

_NAMED = re.compile(r"((?:[A-Z][A-Za-z]+/|urn:|https?://)\S+): (.*)", re.DOTALL)
_CHOSEN = re.compile(r"form of the formula: (female|male), from the caller's choice")
_END_OF_TIME_S = 253_402_300_800.0
"""9999-12-31T24:00:00Z, the last instant that FHIR can write [s since 1970-01-01T00:00:00Z]."""
_TEXTS = ("resourceType", "id", "status", "conclusion")


@dataclass(frozen=True, slots=True)
class StoredAnswer:
    """One answer as it was stored: marks of superseding taken back, and how many resources came that are none of it."""

    form: NormalForm
    resources: list[tuple[str, Json]]
    foreign: int
    claims: AnswerClaims


@dataclass(frozen=True, slots=True)
class Act:
    """One recording, as its Provenance says; 0 and None where it says nothing."""

    recorded_s: float
    enterer: str | None


@dataclass(frozen=True, slots=True)
class AnswerClaims:
    """What the answer says of itself.

    Attributes:
        choices: what was chosen beside the data, as parameters of the operation.
        has_choices: whether the answer itself lists them, as it does from version 0.3.0 on.
        inputs: references of the inputs used, with their versions where they were known.
        nameless: how many inputs came without an address.
    """

    operation: Operation | None
    engine_version: str
    protocol: str
    choices: tuple[dict[str, object], ...]
    has_choices: bool
    inputs: tuple[str, ...]
    nameless: int
    results: Act
    report: Act | None


class _Entity(msgspec.Struct):
    what: Reference = msgspec.field(default_factory=Reference)


class _Coding(msgspec.Struct):
    code: str = ""


class _Codeable(msgspec.Struct):
    coding: list[_Coding] = []


class _Agent(msgspec.Struct):
    type: _Codeable = msgspec.field(default_factory=_Codeable)
    who: Reference = msgspec.field(default_factory=Reference)


class _Contained(msgspec.Struct):
    resourceType: str = ""
    id: str = ""
    parameter: list[dict[str, object]] = []


class _Provenance(msgspec.Struct):
    recorded: str = ""
    entity: list[_Entity] = []
    agent: list[_Agent] = []
    contained: list[_Contained] = []


class _Version(msgspec.Struct):
    value: str = ""


class _Device(msgspec.Struct):
    version: list[_Version] = []


class _Component(msgspec.Struct):
    code: _Codeable = msgspec.field(default_factory=_Codeable)
    valueQuantity: dict[str, object] | None = None


class _Suggestion(msgspec.Struct):
    component: list[_Component] = []


class _Note(msgspec.Struct):
    text: str = ""


class _Weight(msgspec.Struct):
    note: list[_Note] = []


def stored_answer(resources: Iterable[tuple[str, Json]]) -> StoredAnswer:
    """Read one answer; raises NotAnAnswer where they are not one, or not in the shape of FHIR."""
    listed = list(resources)
    require_shape(listed)
    listed = unpacked(listed)
    form = normal_form([(full_url, unmarked(resource)) for full_url, resource in listed])
    return StoredAnswer(form, listed, foreign_in(listed), _claims_of(form))


def foreign_in(resources: Iterable[tuple[str, Json]]) -> int:
    """How many of the resources are none of an answer, so that neither signature nor replay vouches for them."""
    return sum(
        not kind_of(one) and one.get("resourceType") != "OperationOutcome" and not _is_of_supersession(one)
        for _, one in resources
    )


@dataclass(frozen=True, slots=True)
class Needs:
    """What a replay needs besides the answer: the patient, and all inputs, used or named as left out."""

    patient: str
    inputs: tuple[str, ...]


def needs_of(stored: Iterable[tuple[str, Json]]) -> Needs:
    """Say what a stored answer was made from; raises NotAnAnswer where the resources are not one."""
    answer = stored_answer(stored)
    subject = answer.form.parts.get("guidance", {}).get("subject")
    reference = subject.get("reference") if isinstance(subject, dict) else ""
    named = [*answer.claims.inputs, *left_out_inputs(answer.form)]
    inputs = dict.fromkeys([one.partition("#")[0] for one in named])
    return Needs(reference if isinstance(reference, str) else "", tuple(inputs))


def left_out_inputs(form: NormalForm) -> list[str]:
    """Inputs that the answer names among those that did not count, with their versions where they were known."""
    named = [_NAMED.fullmatch(text) for text, path in _remarks(form) if path]
    return [one[1] for one in named if one]


def with_stored_remarks(answer: Answer, stored: NormalForm) -> Answer:
    """The answer with the remarks of a stored one instead of its own.

    Remarks about inputs that were not used cannot be computed again, but the page of a report shows them: it is made
    again from the remarks that are stored beside it, so that page and remarks vouch for one another.
    """
    ignored, notes = [], []
    for text, path in _remarks(stored):
        if path:
            named = _NAMED.fullmatch(text)
            reference, reason = named.groups() if named else ("", text)
            ignored.append(Ignored(path, reference, "", reason))
        elif not text.endswith(ALL_READ):
            notes.append(text)
    request = replace(answer.request, notes=tuple(notes))
    return replace(answer, ignored=tuple(ignored), request=request)


def require_shape(resources: Iterable[tuple[str, Json]]) -> None:
    """Refuse by NotAnAnswer what nothing below could read: nested too deep, or an element of another type."""
    for _, one in resources:
        _require_shape(one)


def _require_shape(resource: Json) -> None:
    level: list[object] = [resource]
    for _ in range(DEEPEST):
        level = [inner for one in level for inner in _inner(one)]
        if not level:
            break
    else:
        raise NotAnAnswer(f"a resource is nested more than {DEEPEST} levels deep")
    for name in _TEXTS:
        if not isinstance(resource.get(name, ""), str):
            raise NotAnAnswer(f"the element {name} of a resource is not a text")
    meta = resource.get("meta", {})
    if not isinstance(meta, dict):
        raise NotAnAnswer("the element meta of a resource is not an object")
    for name, labels in (("identifier", resource.get("identifier", [])), ("meta.tag", meta.get("tag", []))):
        listed = labels if isinstance(labels, list) else [labels]
        for one in listed:
            if not isinstance(one, dict):
                raise NotAnAnswer(f"an element {name} of a resource is not an object")
            if any(not isinstance(one.get(each, ""), str) for each in ("system", "value", "code")):
                raise NotAnAnswer(f"system, value or code in {name} of a resource is not a text")


def _is_of_supersession(resource: Json) -> bool:
    """Whether it is our Provenance over the change of an answer, which a record may give along with it."""
    meta = resource.get("meta", {})
    tags = meta.get("tag", []) if isinstance(meta, dict) else []
    systems = {tag.get("system") for tag in tags} if isinstance(tags, list) else set()
    return resource.get("resourceType") == "Provenance" and SUPERSEDED_SYSTEM in systems


def _inner(value: object) -> Iterable[object]:
    if isinstance(value, dict):
        return value.values()
    return value if isinstance(value, list) else ()


def _claims_of(form: NormalForm) -> AnswerClaims:
    try:
        provenance, of_report = (
            msgspec.convert(form.parts.get(kind, {}), _Provenance) for kind in (PROVENANCE, REPORT_PROVENANCE)
        )
        device = msgspec.convert(form.parts.get("device", {}), _Device)
        suggestion = msgspec.convert(form.parts.get("suggested-peep", {}), _Suggestion)
        weight = msgspec.convert(form.parts.get("predicted-body-weight", {}), _Weight)
    except msgspec.ValidationError as error:
        raise NotAnAnswer("its Provenance, Device, weight or suggestion is not in the shape of FHIR") from error
    whats = [entity.what for entity in provenance.entity]
    module = str(form.parts.get("guidance", {}).get("moduleUri"))
    operation = BY_SLUG.get(module.removeprefix(operation_url("")))
    protocol = next(
        (one.identifier.value for one in whats if one.identifier and one.identifier.system == PROTOCOL_SYSTEM), ""
    )
    listed = [one for one in provenance.contained if (one.resourceType, one.id) == ("Parameters", REQUEST_PARAMETERS)]
    choices = (
        [row for row in listed[0].parameter if str(row.get("name")) in CHOICES]
        if listed
        else _told_choices(protocol, suggestion, weight)
    )
    inputs = [one.reference for one in whats if one.reference and not one.reference.startswith("#")]
    if operation is not None and operation is not TITRATE_PEEP:
        # It names other rule sets, too, and the protocol among its choices.
        protocol = next((str(choice.get("valueString")) for choice in choices if choice["name"] == "protocol"), "")
    return AnswerClaims(
        operation=operation,
        engine_version=device.version[0].value if device.version else "",
        protocol=protocol,
        choices=tuple(choices),
        has_choices=bool(listed),
        inputs=tuple(inputs),
        nameless=sum(1 for one in whats if not one.reference and one.identifier is None),
        results=_act(provenance),
        report=_act(of_report) if REPORT in form.parts or REPORT_PROVENANCE in form.parts else None,
    )


def _told_choices(protocol: str, suggestion: _Suggestion, weight: _Weight) -> list[dict[str, object]]:
    """The choices of an answer that does not list them, as far as its results tell them."""
    choices: list[dict[str, object]] = [
        {"name": "protocol", "valueString": protocol.partition("|")[0]},
        {"name": "accept-preliminary", "valueBoolean": True},
    ]
    margins = [
        part.valueQuantity
        for part in suggestion.component
        if any(coding.code == "margin" for coding in part.code.coding)
    ]
    if margins:
        choices.append({"name": "margin", "valueQuantity": margins[0]})
    chosen = _CHOSEN.search(weight.note[0].text[:500]) if weight.note else None
    return [*choices, {"name": "sex-for-formula", "valueCode": chosen[1]}] if chosen else choices


def _act(provenance: _Provenance) -> Act:
    persons = [one.who.reference for one in provenance.agent if any(each.code == ENTERER for each in one.type.coding)]
    recorded = seconds(provenance.recorded)
    known = recorded if isinstance(recorded, float) and 0 <= recorded < _END_OF_TIME_S else 0.0
    return Act(known, persons[0] if persons else None)


def _remarks(stored: NormalForm) -> Iterator[tuple[str, str]]:
    """Text of each remark, and where in the request the input stood that it is about; empty for none."""
    issues = stored.parts.get("outcome", {}).get("issue")
    for issue in issues if isinstance(issues, list) else []:
        details = issue.get("details") if isinstance(issue, dict) else None
        text = details.get("text") if isinstance(details, dict) else None
        places = issue.get("expression") if isinstance(issue, dict) else None
        yield str(text or ""), str(places[0]) if isinstance(places, list) and places else ""
