"""Who did what: the software as Device, Provenance over results, the report as a document, and AuditEvents.

The input digest and the rules are entities of the Provenance, so that a replay can compare them. What the caller or the
site chose beside the data stands in a contained Parameters resource, in the shape of the operation's own parameters:
with the inputs they are the whole request again, so that any answer can be computed anew.

Recording is a human act: beside the software, which assembled the answer, stands whoever entered it. A person of the
record is named by reference; one who is known elsewhere only, by a logical reference that holds their address, since a
record cannot follow it.

The document is a preliminary DiagnosticReport that carries the answer on paper. It is asked for at once or later by
somebody else, so it has a Provenance of its own. No LOINC code for a report on a PEEP trial was found, so its code is
our own; the category is HL7's for respiratory care. R4 lets no Device be the performer.

An AuditEvent says who did what, to which resources, when, and whether it worked, without a value of any patient.

Source: FHIR R4 provenance.html (agent.type, agent.who), codesystem-provenance-participant-type (`enterer`: a person
entering the data into the originating system); references.html#logical; diagnosticreport.html;
datatypes.html#Attachment (`hash`: SHA-1 of the data before base64; `size`: bytes before base64); auditevent.html and
audit-event-example-login.html (user authentication, login), with codes from
http://terminology.hl7.org/CodeSystem/audit-event-type, audit-entity-type, object-role, security-source-type,
http://hl7.org/fhir/restful-interaction and DICOM's DCM (110114, 110122, 110123).
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from hashlib import sha1
from itertools import groupby

import msgspec

from ebbmark.fhir.answer import PRESSURE, Answer
from ebbmark.fhir.naming import (
    DIGEST_SYSTEM,
    PROTOCOL_SYSTEM,
    PROVENANCE,
    REPORT,
    REPORT_PROVENANCE,
    REQUEST_SYSTEM,
    RESULT_SYSTEM,
    SOFTWARE_SYSTEM,
    URI_SYSTEM,
    unversioned,
)
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.problems import MappedCode
from ebbmark.fhir.reading.parameters import INSTANTS, QUANTITIES
from ebbmark.fhir.reading.units import UCUM
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.identity import AnswerContext, ResultReference
from ebbmark.fhir.writing.terms import OWN, encoded, standard
from ebbmark.physiology.before.staircase import Variant

ENTERER = "enterer"
"""Code of provenance-participant-type."""

_TYPE = standard("provenance-participant-type", ENTERER, "Enterer")
_PERSON = re.compile(r"(?:Practitioner|PractitionerRole|RelatedPerson|Patient)/[A-Za-z0-9\-.]{1,64}")
_ELSEWHERE = re.compile(r"https?://[!-~]{1,500}")


def person_who_enters(fhir_user: str, *, base_url: str) -> str | None:
    """The reference by which a Provenance names a person.

    Args:
        fhir_user: as SMART's `fhirUser` says: `Practitioner/1`, or its address.
        base_url: FHIR base URL of the record.

    Returns:
        `Practitioner/1` for a person of this record, the address for one of another system, None for what is neither.
    """
    plain = unversioned(fhir_user)
    own = plain.removeprefix(base_url.rstrip("/") + "/") if base_url else plain
    if _PERSON.fullmatch(own):
        return own
    return plain if _ELSEWHERE.fullmatch(plain) else None


def enterer_agent(reference: str) -> dict[str, object]:
    """FHIR R4 Provenance.agent of the person who enters, as `person_who_enters` names them."""
    if _PERSON.fullmatch(reference):
        return {"type": _TYPE, "who": {"reference": reference}}
    return {"type": _TYPE, "who": {"identifier": {"system": URI_SYSTEM, "value": reference}}}


REQUEST_PARAMETERS = "request"
"""Id of the contained Parameters with what was chosen beside the data."""

_PRESSURE = {"unit": PRESSURE.text, "system": UCUM, "code": PRESSURE.code}


def request_parameters(answer: Answer) -> dict[str, object]:
    """FHIR R4 Parameters with what was chosen beside the data."""
    request = answer.request
    protocol, asked, codes = request.protocol, request.asked, request.mapped_codes
    staircase, who = asked.staircase, asked.acknowledged.who
    # Exactly, not as rounded for people.
    margin = {**_PRESSURE, "value": protocol.margin_cmh2o} if "margin" in BY_SLUG[answer.operation].parameters else None
    rows: list[tuple[str, str, object]] = [
        ("protocol", "valueString", f"{protocol.slug}|{protocol.version}"),
        ("margin", "valueQuantity", margin),
        ("sex-for-formula", "valueCode", None if asked.sex is None else asked.sex.value),
        ("accept-preliminary", "valueBoolean", True if request.preliminary_inputs else None),
        ("conditions-not-read", "valueBoolean", True if asked.conditions_not_read else None),
        ("concept-map", "resource", _concept_map(codes) if codes else None),
        *[
            (name, "valueQuantity", {"value": value, "system": UCUM, "code": unit})
            for name, (field_name, unit, _, _) in QUANTITIES.items()
            if (value := getattr(asked, field_name)) is not None
        ],
        *[
            (name, "valueInstant", instant(at_s))
            for name, field_name in INSTANTS.items()
            if (at_s := getattr(asked, field_name)) is not None
        ],
        ("chosen-because", "valueCode", asked.chosen_because or None),
        ("staircase", "valueString", None if staircase is None else f"{staircase.slug}|{staircase.version}"),
        ("variant", "valueCode", None if asked.variant is Variant.DECREMENTAL_ONLY else asked.variant.value),
        *[("acknowledged", "valueString", what) for what, _ in asked.acknowledged.what],
        ("acknowledged-by", "valueReference", None if who is None else who.as_reference),
        ("as-of", "valueInstant", instant(request.as_of_s) if answer.titrated is None else None),
    ]
    given = [{"name": name, element: value} for name, element, value in rows if value is not None]
    return {"resourceType": "Parameters", "id": REQUEST_PARAMETERS, "parameter": given}


def _concept_map(codes: Sequence[MappedCode]) -> dict[str, object]:
    """The site's own codes that were received, with what they were read as."""
    groups = [
        {
            **({"source": source} if source else {}),
            "target": target,
            "element": [
                {"code": row.code, "target": [{"code": row.target_code, "equivalence": "equivalent"}]} for row in rows
            ],
        }
        for (source, target), rows in groupby(sorted(codes, key=_systems), key=_systems)
    ]
    return {"resourceType": "ConceptMap", "status": "active", "group": groups}


def _systems(code: MappedCode) -> tuple[str, str]:
    return code.system, code.target_system


_ASSEMBLER = standard("provenance-participant-type", "assembler", "Assembler")
_CREATE = standard("v3-DataOperation", "CREATE", "create")


class _Entity(msgspec.Struct, gc=False):
    what: ResultReference
    role: str = "source"


@lru_cache(maxsize=8)
def device(engine_version: str) -> msgspec.Raw:
    """FHIR R4 Device: this software in this version. One per version in a record, found again by its identifier."""
    return encoded(
        {
            "resourceType": "Device",
            "identifier": [{"system": SOFTWARE_SYSTEM, "value": f"ebbmark-{engine_version}"}],
            "status": "active",
            "deviceName": [{"name": "Ebbmark", "type": "user-friendly-name"}],
            "type": {"text": "Decision support software for reading PEEP trials; not a medical device"},
            "version": [{"value": engine_version}],
        }
    )


def provenance(
    context: AnswerContext, targets: Sequence[ResultReference], recorded_s: float, enterer: str | None = None
) -> dict[str, object]:
    """FHIR R4 Provenance over the results, with every rule set and the digest of the inputs as entities."""
    answer = context.answer
    entities = [
        *[_Entity(reference) for reference in context.all_inputs()],
        *[_identified(PROTOCOL_SYSTEM, f"{rule.slug}|{rule.version}", rule.title) for rule in answer.rules],
        _identified(DIGEST_SYSTEM, answer.input_digest, "SHA-256 over the canonical inputs used"),
        {"role": "source", "what": {"reference": f"#{REQUEST_PARAMETERS}", "display": "Choices of the request"}},
    ]
    made = stamped(context, PROVENANCE, targets, entities, recorded_s, enterer)
    return {**made, "contained": [request_parameters(answer)]}


def _identified(system: str, value: str, display: str) -> dict[str, object]:
    return {"role": "source", "what": {"identifier": {"system": system, "value": value}, "display": display}}


def stamped(
    context: AnswerContext,
    kind: str,
    targets: Sequence[ResultReference],
    entities: Sequence[object],
    recorded_s: float,
    enterer: str | None,
) -> dict[str, object]:
    """FHIR R4 Provenance over some resources of an answer: made by this software now, found again by its tag."""
    return {
        "resourceType": "Provenance",
        "meta": {"tag": [{"system": RESULT_SYSTEM, "code": f"{context.answer.identity}:{kind}"}]},
        "target": targets,
        "recorded": instant(recorded_s),
        "activity": _CREATE,
        "agent": [{"type": _ASSEMBLER, "who": context.device}, *([enterer_agent(enterer)] if enterer else [])],
        "entity": entities,
    }


_CATEGORY = standard("v2-0074", "RC", "Respiratory Care (therapy)")


def report_entries(
    context: AnswerContext, pdf: bytes, conclusion: str, recorded_s: float, enterer: str | None
) -> list[tuple[str, object]]:
    """The report and its Provenance, with their kinds."""
    entity = {"role": "source", "what": context.to("guidance")}
    provenance = stamped(context, REPORT_PROVENANCE, [context.to(REPORT)], [entity], recorded_s, enterer)
    return [(REPORT, _report(context, pdf, conclusion, recorded_s)), (REPORT_PROVENANCE, provenance)]


def _report(context: AnswerContext, pdf: bytes, conclusion: str, recorded_s: float) -> dict[str, object]:
    statements, operation = context.answer.statements, BY_SLUG[context.answer.operation]
    title = f"{'PEEP trial' if operation is TITRATE_PEEP else operation.title}, preliminary report"
    # What these group (steps, margins) is named by them.
    grouped = {kind for statement in statements for kind in statement.members}
    results = [context.to(statement.kind) for statement in statements if statement.kind not in grouped]
    start, end = map(instant, context.answer.span_s)
    return {
        "resourceType": "DiagnosticReport",
        "identifier": [context.identifier(REPORT)],
        "status": "preliminary",
        "category": [_CATEGORY],
        "code": OWN["peep-trial-report"],
        "subject": context.subject,
        **({"encounter": context.encounter} if context.encounter is not None else {}),
        "effectivePeriod": {"start": start, "end": end},
        "issued": instant(recorded_s),
        **({"result": results} if results else {}),
        "conclusion": conclusion,
        "presentedForm": [
            {
                "contentType": "application/pdf",
                "language": "en",
                "data": b64encode(pdf).decode(),
                "size": len(pdf),
                "hash": b64encode(sha1(pdf, usedforsecurity=False).digest()).decode(),
                "title": title,
            }
        ],
    }


_TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
_INTERACTION = "http://hl7.org/fhir/restful-interaction"
_DICOM = "http://dicom.nema.org/resources/ontology/DCM"
_IP_ADDRESS = "2"
_SUCCESS = "0"
_SERIOUS_FAILURE = "8"


class AuditAction(Enum):
    """What was done: AuditEvent.action and subtype with its display (of a session DICOM's, else the interaction)."""

    EVALUATED = ("E", "operation", "operation")
    READ = ("R", "search-type", "search-type")
    WRITTEN = ("C", "transaction", "transaction")
    SIGNED_IN = ("E", "110122", "Login")
    SIGNED_OUT = ("E", "110123", "Logout")

    def __init__(self, action: str, code: str, display: str) -> None:
        self.action = action
        self.code = code
        self.display = display


@dataclass(frozen=True, slots=True)
class Actor:
    """Who asked: the client, who vouches for it, and the person for whom it acts; empty where not known."""

    issuer: str = ""
    client: str = ""
    address: str = ""
    user: str = ""


@dataclass(frozen=True, slots=True)
class Access:
    """One read, write or evaluation; `why_not` is why it was not done, as a word of ours, where that is told."""

    deed: AuditAction
    actor: Actor
    succeeded: bool
    patient: str = ""
    resources: tuple[str, ...] = ()
    identity: str = ""
    why_not: str = ""


def audit_event(access: Access, *, recorded_s: float, engine_version: str) -> dict[str, object]:
    """FHIR R4 AuditEvent; patients and resources by reference, the answer by its identity, nothing by value."""
    software = {"identifier": {"system": SOFTWARE_SYSTEM, "value": f"ebbmark-{engine_version}"}, "display": "Ebbmark"}
    answer = {"identifier": {"system": REQUEST_SYSTEM, "value": access.identity}}
    entities = [
        *([_entity({"reference": access.patient}, ("1", "Person"), ("1", "Patient"))] if access.patient else []),
        *([_entity(answer, ("2", "System Object"), ("3", "Report"))] if access.identity else []),
        *[
            _entity({"reference": resource}, ("2", "System Object"), ("4", "Domain Resource"))
            for resource in access.resources
        ],
    ]
    deed = access.deed
    return {
        "resourceType": "AuditEvent",
        "type": _AUTHENTICATION if deed in _OF_A_SESSION else _REST,
        "subtype": [_coding(_DICOM if deed in _OF_A_SESSION else _INTERACTION, deed.code, deed.display)],
        "action": deed.action,
        "recorded": instant(recorded_s),
        "outcome": _SUCCESS if access.succeeded else _SERIOUS_FAILURE,
        **({"outcomeDesc": access.why_not} if access.why_not else {}),
        "agent": [*_asking(access.actor), {"who": software, "requestor": False}],
        "source": {
            "observer": software,
            "type": [_coding(f"{_TERMINOLOGY}/security-source-type", "4", "Application Server")],
        },
        **({"entity": entities} if entities else {}),
    }


def _coding(system: str, code: str, display: str) -> dict[str, str]:
    return {"system": system, "code": code, "display": display}


_OF_A_SESSION = frozenset({AuditAction.SIGNED_IN, AuditAction.SIGNED_OUT})
_REST = _coding(f"{_TERMINOLOGY}/audit-event-type", "rest", "RESTful Operation")
_AUTHENTICATION = _coding(_DICOM, "110114", "User Authentication")


def _asking(actor: Actor) -> list[dict[str, object]]:
    """Who asked: the person where one is known, and the client that acts for them or by itself."""
    network = {"network": {"address": actor.address, "type": _IP_ADDRESS}} if actor.address else {}
    client = {"identifier": {"system": actor.issuer, "value": actor.client}}
    if actor.user:
        person = {"who": {"reference": actor.user}, "requestor": True, **network}
        return [person, {"who": client, "requestor": False}]
    nobody = {"display": "A caller who did not sign in"}
    return [{"who": client if actor.client else nobody, "requestor": True, **network}]


def _entity(what: Mapping[str, object], kind: tuple[str, str], role: tuple[str, str]) -> dict[str, object]:
    return {
        "what": what,
        "type": _coding(f"{_TERMINOLOGY}/audit-entity-type", *kind),
        "role": _coding(f"{_TERMINOLOGY}/object-role", *role),
    }
