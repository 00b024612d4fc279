"""FHIR R4 AuditEvent: who did what, to which resources, when, and whether it worked, without a value of any patient.

Source: FHIR R4 auditevent.html and audit-event-example-login.html (user authentication, login); codes from
http://terminology.hl7.org/CodeSystem/audit-event-type, audit-entity-type, object-role, security-source-type,
http://hl7.org/fhir/restful-interaction and DICOM's DCM (110114, 110122, 110123).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from ebbmark.fhir.naming import REQUEST_SYSTEM, SOFTWARE_SYSTEM
from ebbmark.fhir.times import instant

_TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
_INTERACTION = "http://hl7.org/fhir/restful-interaction"
_DICOM = "http://dicom.nema.org/resources/ontology/DCM"
_IP_ADDRESS = "2"
_SUCCESS = "0"
_SERIOUS_FAILURE = "8"


class AuditAction(Enum):
    """What was done: AuditEvent.action, and the subtype with its display.

    The subtype of a read, write or evaluation is the RESTful interaction; that of a session is DICOM's.
    """

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
    """Who asked.

    Attributes:
        issuer: who vouches for the client; empty where nobody signed in.
        client: the client's name there; empty where nobody signed in.
        address: network address; empty where not known.
        user: reference to the person for whom the client acts; empty where not known, or nobody is there.
    """

    issuer: str = ""
    client: str = ""
    address: str = ""
    user: str = ""


@dataclass(frozen=True, slots=True)
class Access:
    """One read, write or evaluation.

    Attributes:
        actor: for whom.
        patient: reference to the patient; empty to leave it out.
        resources: references to what was read or written.
        identity: of the answer; empty where there is none.
        why_not: why it was not done, as a word of ours; empty where it was, or the reason is not told.
    """

    deed: AuditAction
    actor: Actor
    succeeded: bool
    patient: str = ""
    resources: tuple[str, ...] = ()
    identity: str = ""
    why_not: str = ""


def audit_event(access: Access, *, recorded_s: float, engine_version: str) -> dict[str, object]:
    """Build the AuditEvent.

    Args:
        recorded_s: when [s since 1970-01-01T00:00:00Z].
        engine_version: of this software, which is the source of the event.

    Returns:
        FHIR R4 AuditEvent; patients and resources by reference, the answer by its identity, nothing by value.
    """
    software = {"identifier": {"system": SOFTWARE_SYSTEM, "value": f"ebbmark-{engine_version}"}, "display": "Ebbmark"}
    entities = [
        *([_patient(access.patient)] if access.patient else []),
        *([_answer(access.identity)] if access.identity else []),
        *[_resource(reference) for reference in access.resources],
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


def _patient(reference: str) -> dict[str, object]:
    return {
        "what": {"reference": reference},
        "type": _coding(f"{_TERMINOLOGY}/audit-entity-type", "1", "Person"),
        "role": _coding(f"{_TERMINOLOGY}/object-role", "1", "Patient"),
    }


def _answer(identity: str) -> dict[str, object]:
    return {
        "what": {"identifier": {"system": REQUEST_SYSTEM, "value": identity}},
        "type": _coding(f"{_TERMINOLOGY}/audit-entity-type", "2", "System Object"),
        "role": _coding(f"{_TERMINOLOGY}/object-role", "3", "Report"),
    }


def _resource(reference: str) -> dict[str, object]:
    return {
        "what": {"reference": reference},
        "type": _coding(f"{_TERMINOLOGY}/audit-entity-type", "2", "System Object"),
        "role": _coding(f"{_TERMINOLOGY}/object-role", "4", "Domain Resource"),
    }
