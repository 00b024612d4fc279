"""What this service claims to do: FHIR R4 CapabilityStatement, made from the table of operations.

Canonical addresses are identifiers, see codesystem; the address of a running service is an argument.
"""

from __future__ import annotations

from ebbmark import __version__
from ebbmark.fhir.codesystem import DEFINITIONS_DATE
from ebbmark.fhir.definition_search import SEARCH_PARAMETERS
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.writing.frame import operation_url

__all__ = ["FHIR_VERSION", "capability_statement"]

FHIR_VERSION = "4.0.1"

_READ = ("CodeSystem", "ConceptMap", "OperationDefinition", "PlanDefinition", "ValueSet")


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
                "resource": [
                    {
                        "type": kind,
                        "interaction": [{"code": "read"}, {"code": "search-type"}],
                        "searchParam": [
                            {"name": name, "type": kind_of_search} for name, kind_of_search in SEARCH_PARAMETERS.items()
                        ],
                    }
                    for kind in _READ
                ],
                "operation": [{"name": slug, "definition": operation_url(slug)} for slug in (*BY_SLUG, "replay")],
            }
        ],
    }
