"""Who did what, to which resources, when, and did it work? One FHIR R4 AuditEvent, without a value of any patient.

Source: FHIR R4 auditevent.html; codes from http://terminology.hl7.org/CodeSystem/audit-event-type,
audit-entity-type, object-role, security-source-type and http://hl7.org/fhir/restful-interaction.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from ebbmark.fhir.writing.frame import REQUEST_SYSTEM
from ebbmark.fhir.writing.instants import instant
from ebbmark.fhir.writing.provenance import SOFTWARE_SYSTEM

__all__ = ["Access", "Actor", "Deed", "audit_event"]

_TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
_INTERACTION = "http://hl7.org/fhir/restful-interaction"
_IP_ADDRESS = "2"
_SUCCESS = "0"
_SERIOUS_FAILURE = "8"


class Deed(Enum):
    """What was done: AuditEvent.action, and the RESTful interaction with its display."""

    EVALUATED = ("E", "operation", "operation")
    READ = ("R", "search-type", "search-type")
    WRITTEN = ("C", "transaction", "transaction")

    def __init__(self, action: str, interaction: str, display: str) -> None:
        self.action = action
        self.interaction = interaction
        self.display = display


@dataclass(frozen=True, slots=True)
class Actor:
    """Who asked.

    Attributes:
        issuer: who vouches for the client; empty where nobody signed in.
        client: the client's name there; empty where nobody signed in.
        address: network address; empty where not known.
    """

    issuer: str = ""
    client: str = ""
    address: str = ""


@dataclass(frozen=True, slots=True)
class Access:
    """One read, write or evaluation.

    Attributes:
        deed: what was done.
        actor: for whom.
        succeeded: whether it was done.
        patient: reference to the patient; empty to leave it out.
        resources: references to what was read or written.
        identity: of the answer; empty where there is none.
    """

    deed: Deed
    actor: Actor
    succeeded: bool
    patient: str = ""
    resources: tuple[str, ...] = ()
    identity: str = ""


def audit_event(access: Access, *, recorded_s: float, engine_version: str) -> dict[str, object]:
    """Build the AuditEvent.

    Args:
        access: what happened.
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
        "type": _coding(f"{_TERMINOLOGY}/audit-event-type", "rest", "RESTful Operation"),
        "subtype": [_coding(_INTERACTION, deed.interaction, deed.display)],
        "action": deed.action,
        "recorded": instant(recorded_s),
        "outcome": _SUCCESS if access.succeeded else _SERIOUS_FAILURE,
        "agent": [_requestor(access.actor), {"who": software, "requestor": False}],
        "source": {
            "observer": software,
            "type": [_coding(f"{_TERMINOLOGY}/security-source-type", "4", "Application Server")],
        },
        **({"entity": entities} if entities else {}),
    }


def _coding(system: str, code: str, display: str) -> dict[str, str]:
    return {"system": system, "code": code, "display": display}


def _requestor(actor: Actor) -> dict[str, object]:
    signed_in = {"identifier": {"system": actor.issuer, "value": actor.client}}
    return {
        "who": signed_in if actor.client else {"display": "A caller who did not sign in"},
        "requestor": True,
        **({"network": {"address": actor.address, "type": _IP_ADDRESS}} if actor.address else {}),
    }


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
