"""The parameters that operations take and return: `data/parameters.toml`, as read and as published."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from ebbmark.data import table

__all__ = ["CHOICE_REASONS", "FROM_RECORD", "PARAMETERS", "REPLAY_INPUTS", "REPLAY_OUTPUTS", "Parameter"]

_RESOURCES: Final = frozenset({"Bundle", "Patient", "Observation", "ConceptMap", "Condition"})


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of the operation.

    Attributes:
        name: `Parameters.parameter.name`.
        fhir_type: FHIR type, as OperationDefinition.parameter.type names it.
        minimum: fewest.
        maximum: most, `*` for any number.
        documentation: plain sentences for the caller.
        element: where the value stands in `Parameters.parameter`: `resource`, or `value` plus the type.
    """

    name: str
    fhir_type: str
    minimum: int
    maximum: str
    documentation: str
    element: str


def _parameter(row: Mapping[str, Any]) -> Parameter:
    fhir_type = row["type"]
    element = "resource" if fhir_type in _RESOURCES else f"value{fhir_type[:1].upper()}{fhir_type[1:]}"
    return Parameter(
        row["name"],
        fhir_type,
        row.get("least", 0),
        row.get("most", "1"),
        row["documentation"],
        row.get("element", element),
    )


_TABLE: Final = table("parameters")

CHOICE_REASONS: Final[Mapping[str, str]] = _TABLE["chosen_because"]
"""Why a clinician chooses another PEEP than the suggested one: code and display."""

FROM_RECORD: Final = tuple(map(_parameter, _TABLE["from_record"]))
"""What the doors replace by a bundle before the reader sees the request; only where a record is configured."""

PARAMETERS: Final[Mapping[str, Parameter]] = {
    row.name: row for row in (*map(_parameter, _TABLE["inputs"]), *FROM_RECORD)
}
"""Every parameter that any operation takes, by name."""

REPLAY_INPUTS: Final = tuple(map(_parameter, _TABLE["replay_inputs"]))
"""What `$replay` takes."""

REPLAY_OUTPUTS: Final = tuple(map(_parameter, _TABLE["replay_outputs"]))
"""What `$replay` returns."""
