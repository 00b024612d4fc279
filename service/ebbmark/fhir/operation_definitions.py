"""How each operation is published: FHIR R4 OperationDefinition, made from the tables that the reader uses."""

from __future__ import annotations

from dataclasses import replace

from ebbmark import __version__
from ebbmark.fhir.codesystem import DEFINITIONS_DATE
from ebbmark.fhir.operations import OF_A_RECORD, Operation
from ebbmark.fhir.parameters import FROM_RECORD, PARAMETERS, REPLAY_INPUTS, REPLAY_OUTPUTS, Parameter
from ebbmark.fhir.writing.frame import operation_url

__all__ = ["definition_of", "replay_definition"]

_REPLAY_PARTS = (("kind", "code"), ("path", "string"), ("expected", "string"), ("found", "string"))


def definition_of(operation: Operation) -> dict[str, object]:
    """FHIR R4 OperationDefinition."""
    rows = [PARAMETERS[name] for name in operation.parameters if name not in OF_A_RECORD]
    rows += [_of_a_record(row, operation) for row in FROM_RECORD]
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
        # Only with write-back, and then in another system; still enough to keep the operation from being a GET.
        "affectsState": True,
        "code": operation.slug,
        "comment": (
            "Every result is preliminary, every plan a draft. What cannot be read or used is refused with an "
            "OperationOutcome (400 or 422) that names every problem."
        ),
        "system": True,
        "type": False,
        "instance": False,
        "parameter": [*[_defined(row, "in") for row in rows], _defined(output, "out")],
    }


def replay_definition() -> dict[str, object]:
    """FHIR R4 OperationDefinition of `$replay`."""
    outputs = [_defined(row, "out") for row in REPLAY_OUTPUTS]
    difference = outputs[-1]
    del difference["type"]
    difference["part"] = [
        *[{"name": name, "use": "out", "min": 0, "max": "1", "type": kind} for name, kind in _REPLAY_PARTS],
        {"name": "sentence", "use": "out", "min": 1, "max": "1", "type": "string"},
    ]
    return {
        "resourceType": "OperationDefinition",
        "id": "replay",
        "url": operation_url("replay"),
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
        "parameter": [*[_defined(row, "in") for row in REPLAY_INPUTS], *outputs],
    }


def _defined(row: Parameter, use: str) -> dict[str, object]:
    """FHIR R4 OperationDefinition.parameter; `use` is in or out."""
    return {
        "name": row.name,
        "use": use,
        "min": row.minimum,
        "max": row.maximum,
        "documentation": row.documentation,
        "type": row.fhir_type,
    }


def _of_a_record(row: Parameter, operation: Operation) -> Parameter:
    """What the three parameters of a record mean for this question."""
    return replace(
        row,
        documentation=_RECORD_WORDS[row.name].format(
            also=_also(operation), hours=operation.hours_back, least=_least(operation)
        ),
    )


def _also(operation: Operation) -> str:
    changes = ", charted changes of position and ventilator mode" if operation.reads_changes else ""
    return changes + (
        ", all Conditions and the vasopressors (MedicationAdministration)" if operation.reads_conditions else ""
    )


def _least(operation: Operation) -> str:
    shorter = operation.least_hours < operation.hours_back
    return f" (fewer, {operation.least_hours:g} at least, where that is more than may be read)" if shorter else ""


_RECORD_WORDS = {
    "patient-reference": "A patient of the configured record, as Patient/[id], instead of the data: the Patient, "
    "heights and sex of any time, and the ventilator, gas and vital-sign Observations of the period{also} are then "
    "read from the record. An id (valueId) will do, too.",
    "encounter": "With patient-reference: only Observations of this encounter, as Encounter/[id] or an id (valueId), "
    "are read; heights, sex and Conditions may come from any.",
    "period": "With patient-reference: which time is read. Where absent: the {hours} hours before now{least}, or from "
    "six hours before the start or the end of the trial on, where one is named and lies further back.",
}
