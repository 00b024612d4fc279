"""The operations, one row each (`data/operations.toml`), and their parameters (`data/parameters.toml`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from ebbmark.data import table

_RESOURCES: Final = frozenset({"Bundle", "Patient", "Observation", "ConceptMap", "Condition"})


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of an operation; `element` is where its value stands: `resource`, or `value` plus the type."""

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

OF_A_RECORD: Final = tuple(row.name for row in FROM_RECORD)
"""Taken instead of the data, where a record is configured."""

_OPERATIONS: Final = table("operations")


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation, as its row says (`data/operations.toml`)."""

    slug: str
    title: str
    description: str
    own: tuple[str, ...]
    returns: str
    hours_back: float
    least_hours: float
    needs_weight: bool = False
    needs_peep: bool = False
    reads_conditions: bool = False
    needs_conditions: bool = False
    reads_changes: bool = False
    reads_rhythms: bool = False

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of all that it takes, in order."""
        return (*_OPERATIONS["shared"], *self.own, *OF_A_RECORD)


BY_SLUG: Final[Mapping[str, Operation]] = {
    row["slug"]: Operation(**row | {"own": tuple(row["own"])}) for row in _OPERATIONS["operation"]
}
"""Every operation that answers a question, by its name."""

TITRATE_PEEP: Final = BY_SLUG["titrate-peep"]
"""The titration itself."""

PLAN_TRIAL: Final = BY_SLUG["plan-trial"]
"""The one whose answer also comes as a page to print."""

OPERATIONS: Final = tuple(one for one in BY_SLUG.values() if one is not TITRATE_PEEP)
"""All others, in the order of a patient's day."""

RELEASE: Final = BY_SLUG["compare-markers"].own
"""What the recruitment-to-inflation ratio needs, all or nothing."""
