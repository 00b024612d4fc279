"""Which operations are published beside `$titrate-peep`, and what does each take? One table; OperationDefinitions."""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark import __version__
from ebbmark.fhir.bedside.asked import OWN_PARAMETERS, SHARED
from ebbmark.fhir.bedside.naming import operation_url
from ebbmark.fhir.codesystem import DEFINITIONS_DATE
from ebbmark.fhir.parameters import Parameter

__all__ = ["OPERATIONS", "Operation", "definition_of"]

_SHARED = (
    "bundle",
    "patient",
    "observation",
    "concept-map",
    "protocol",
    "sex-for-formula",
    "as-of",
    "accept-preliminary",
)
_CONDITIONS = ("condition", "noradrenaline-equivalent", "body-mass-index", "barometric-pressure")


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation.

    Attributes:
        slug: its name behind the `$`.
        title: one line for people.
        description: a few plain sentences.
        own: parameters that `$titrate-peep` does not have.
        needs_weight: whether height and sex are needed.
        returns: what the Bundle holds.
    """

    slug: str
    title: str
    description: str
    own: tuple[str, ...]
    needs_weight: bool
    returns: str

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of all that it takes, in order."""
        return (*_SHARED, *self.own)


_WITH = "Device, Provenance, and an OperationOutcome that lists every input that did not count, with its reason."

OPERATIONS: tuple[Operation, ...] = (
    Operation(
        "next-step",
        "Go on, read again or stop lowering",
        "Reads a trial in progress after each step: the probability that closing has been passed, whether lowering "
        "further is useful, the next step of the staircase, and every stop criterion with the reading that met it and "
        "the limit's source. Stop limits are those that a clinician of the site signed; without a signature the "
        "defaults apply and the answer says so. Nobody is ever asked to raise pressure.",
        ("staircase", "trial-started"),
        False,
        f"A collection: GuidanceResponse, preliminary Observations, DetectedIssues for stop criteria, {_WITH}",
    ),
)
"""In the order of a patient's day."""


def definition_of(operation: Operation) -> dict[str, object]:
    """FHIR R4 OperationDefinition."""
    rows = [SHARED.get(name) or OWN_PARAMETERS[name] for name in operation.parameters]
    output = Parameter("return", "Bundle", 1, "1", operation.returns, "resource")
    return {
        "resourceType": "OperationDefinition",
        "id": operation.slug,
        "url": operation_url(operation.slug),
        "version": __version__,
        "name": "".join(part.capitalize() for part in operation.slug.split("-")),
        "title": operation.title,
        "status": "active",
        "kind": "operation",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": operation.description,
        "affectsState": False,
        "code": operation.slug,
        "comment": (
            "Every result is preliminary, every plan a draft. What cannot be read or used is refused with an "
            "OperationOutcome (400 or 422) that names every problem."
        ),
        "system": True,
        "type": False,
        "instance": False,
        "parameter": [*[_parameter(row, "in") for row in rows], _parameter(output, "out")],
    }


def _parameter(row: Parameter, use: str) -> dict[str, object]:
    return {
        "name": row.name,
        "use": use,
        "min": row.minimum,
        "max": row.maximum,
        "documentation": row.documentation,
        "type": row.fhir_type,
    }
