"""What does this service claim to do? CapabilityStatement and OperationDefinition, made from what the reader accepts.

Canonical addresses are identifiers, see codesystem; the address of a running service is an argument.
"""

from __future__ import annotations

from ebbmark import __version__
from ebbmark.fhir.codesystem import BASE, DEFINITIONS_DATE
from ebbmark.fhir.operations import OPERATIONS, TITRATE_PEEP
from ebbmark.fhir.parameter_definition import defined
from ebbmark.fhir.parameters import OUTPUTS, PARAMETERS, REPLAY_INPUTS, REPLAY_OUTPUTS
from ebbmark.fhir.writing.frame import operation_url
from ebbmark.fhir.writing.write import OPERATION

__all__ = ["FHIR_VERSION", "capability_statement", "operation_definition", "replay_definition"]

FHIR_VERSION = "4.0.1"

_CODE = "titrate-peep"
_READ = ("CodeSystem", "OperationDefinition", "PlanDefinition", "ValueSet")
_REPLAY_PARTS = (("kind", "code"), ("path", "string"), ("expected", "string"), ("found", "string"))


SECURITY = {
    "cors": False,
    "service": [
        {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/restful-security-service",
                    "code": "SMART-on-FHIR",
                    "display": "SMART-on-FHIR",
                }
            ]
        }
    ],
    "description": "Operations need a bearer token (JWT) that grants system/Observation.rs, and system/Observation.c "
    "for write-back. Definitions are open.",
}


def capability_statement(*, base_url: str, signs_in: bool = False) -> dict[str, object]:
    """FHIR R4 CapabilityStatement of the running service.

    Args:
        base_url: FHIR base address under which it answers.
        signs_in: whether callers must sign in.
    """
    return {
        "resourceType": "CapabilityStatement",
        "id": "ebbmark",
        "name": "Ebbmark",
        "title": "Ebbmark: decision support for PEEP titration",
        "status": "active",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": (
            "Stateless decision support: reads a decremental PEEP trial, answers with preliminary results. "
            "Not a medical device; local protocol and licensed practice decide."
        ),
        "kind": "instance",
        "software": {"name": "Ebbmark", "version": __version__},
        "implementation": {"description": "Ebbmark decision support service", "url": base_url},
        "fhirVersion": FHIR_VERSION,
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                **({"security": SECURITY} if signs_in else {}),
                "documentation": "Operations, and the definitions that describe them; nothing is stored.",
                "resource": [{"type": kind, "interaction": [{"code": "read"}]} for kind in _READ],
                "operation": [
                    {"name": _CODE, "definition": OPERATION},
                    {"name": "replay", "definition": f"{BASE}/OperationDefinition/replay"},
                    *[{"name": one.slug, "definition": operation_url(one.slug)} for one in OPERATIONS],
                ],
            }
        ],
    }


def operation_definition() -> dict[str, object]:
    """FHIR R4 OperationDefinition of `$titrate-peep`."""
    return {
        "resourceType": "OperationDefinition",
        "id": _CODE,
        "url": OPERATION,
        "version": __version__,
        "name": "TitratePeep",
        "title": "Read a decremental PEEP trial",
        "status": "active",
        "kind": "operation",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": (
            "Reads the steps of a decremental PEEP trial of one adult with ARDS and answers with the closing pressure "
            "and its probability, a suggested PEEP, tidal volumes by predicted body weight, and cautions. Every result "
            "is preliminary until a clinician has signed it. Every input that did not count is listed with its reason."
        ),
        # Only with write-back, and then in another system; still enough to keep the operation from being a GET.
        "affectsState": True,
        "code": _CODE,
        "comment": (
            "The answer comes back as one Bundle of type collection. What cannot be read or used is refused with an "
            "OperationOutcome (400 or 422) that names every problem."
        ),
        "system": True,
        "type": False,
        "instance": False,
        "parameter": [
            *[defined(PARAMETERS[name], "in") for name in TITRATE_PEEP.parameters],
            *[defined(row, "out") for row in OUTPUTS],
        ],
    }


def replay_definition() -> dict[str, object]:
    """FHIR R4 OperationDefinition of `$replay`."""
    outputs = [defined(row, "out") for row in REPLAY_OUTPUTS]
    difference = outputs[-1]
    del difference["type"]
    difference["part"] = [
        *[{"name": name, "use": "out", "min": 0, "max": "1", "type": kind} for name, kind in _REPLAY_PARTS],
        {"name": "sentence", "use": "out", "min": 1, "max": "1", "type": "string"},
    ]
    return {
        "resourceType": "OperationDefinition",
        "id": "replay",
        "url": f"{BASE}/OperationDefinition/replay",
        "version": __version__,
        "name": "Replay",
        "title": "Compute a stored answer again",
        "status": "active",
        "kind": "operation",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": (
            "Reads the inputs of a stored answer in the versions that it names, computes it again with the same "
            "protocol, and says that both are the same, or names each difference: an input amended since or gone, "
            "another engine or protocol version, a stored value that the inputs do not give. Checks the signature, too."
        ),
        "affectsState": False,
        "code": "replay",
        "system": True,
        "type": False,
        "instance": False,
        "parameter": [*[defined(row, "in") for row in REPLAY_INPUTS], *outputs],
    }
