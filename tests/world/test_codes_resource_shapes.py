"""The names that we read from FHIR R4, against the R4 model that ships with fhirpathpy (from HL7's definitions)."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from fhirpathpy.models import models

from ebbmark.fhir.model import (
    RESOURCE_TYPES,
    Bundle,
    Codeable,
    Coding,
    Component,
    ConceptMap,
    DeviceMetric,
    Entry,
    EntryRequest,
    Extension,
    Identifier,
    Link,
    MapElement,
    MapGroup,
    MapTarget,
    Meta,
    Observation,
    Parameter,
    Parameters,
    Patient,
    Period,
    QuantityValue,
    Reference,
)
from ebbmark.fhir.problems import ProblemKind, Reason
from ebbmark.fhir.reading.values import other_values

R4: dict[str, Any] = models["r4"]
PARENTS: dict[str, str] = R4["type2Parent"]
CHOICES = {f"{path}{kind[0].upper()}{kind[1:]}" for path, kinds in R4["choiceTypePaths"].items() for kind in kinds}
BACKBONES = {path.rpartition(".")[0] for path in R4["path2Type"]}
SHAPES: dict[str, type[msgspec.Struct]] = {
    "Observation": Observation,
    "Observation.component": Component,
    "Patient": Patient,
    "DeviceMetric": DeviceMetric,
    "Bundle": Bundle,
    "Bundle.link": Link,
    "Bundle.entry": Entry,
    "Bundle.entry.request": EntryRequest,
    "Parameters": Parameters,
    "Parameters.parameter": Parameter,
    "ConceptMap": ConceptMap,
    "ConceptMap.group": MapGroup,
    "ConceptMap.group.element": MapElement,
    "ConceptMap.group.element.target": MapTarget,
    "CodeableConcept": Codeable,
    "Coding": Coding,
    "Quantity": QuantityValue,
    "Identifier": Identifier,
    "Reference": Reference,
    "Period": Period,
    "Meta": Meta,
    "Extension": Extension,
}
ELEMENTS = [(path, info.name) for path, shape in SHAPES.items() for info in msgspec.structs.fields(shape)]

# https://hl7.org/fhir/R4/codesystem-issue-type.html, codes as listed in HL7's valuesets.json 4.0.0
ISSUE_TYPES = {
    *("invalid", "structure", "required", "value", "invariant"),
    *("security", "login", "unknown", "expired", "forbidden", "suppressed"),
    *("processing", "not-supported", "duplicate", "multiple-matches", "not-found", "deleted", "too-long"),
    *("code-invalid", "extension", "too-costly", "business-rule", "conflict"),
    *("transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled"),
    "informational",
}


def test_the_resource_types_are_those_of_r4() -> None:
    known = {kind for kind, parent in PARENTS.items() if parent in {"DomainResource", "Resource"}}

    assert set(RESOURCE_TYPES) == known - {"DomainResource"}
    assert len(set(RESOURCE_TYPES)) == len(RESOURCE_TYPES)


@pytest.mark.parametrize(("path", "name"), ELEMENTS, ids=[f"{path}.{name}" for path, name in ELEMENTS])
def test_every_element_that_is_read_exists_in_r4(path: str, name: str) -> None:
    parents = [path, *(PARENTS.get(path, "").split() or []), "Resource", "DomainResource", "Element", "BackboneElement"]

    assert {f"{parent}.{name}" for parent in parents} & (set(R4["path2Type"]) | CHOICES | BACKBONES)


@pytest.mark.parametrize(("path", "shape"), [("Observation", Observation), ("Observation.component", Component)])
def test_every_kind_of_value_that_r4_allows_is_noticed(path: str, shape: type[msgspec.Struct]) -> None:
    allowed = {f"value{kind[0].upper()}{kind[1:]}" for kind in R4["choiceTypePaths"][f"{path}.value"]}
    body: dict[str, object] = dict.fromkeys(allowed - {"valueQuantity"})
    required = {"status": "final", "code": {}} if shape is Observation else {"code": {}}

    holder = msgspec.convert({**required, **dict.fromkeys(body, "x")}, shape)

    assert isinstance(holder, Observation | Component)
    assert set(other_values(holder)) == allowed - {"valueQuantity"}


@pytest.mark.parametrize("kind", ProblemKind, ids=lambda kind: kind.slug)
def test_every_problem_has_an_issue_type_of_r4(kind: ProblemKind) -> None:
    assert kind.issue_code in ISSUE_TYPES


@pytest.mark.parametrize("reason", Reason, ids=lambda reason: reason.slug)
def test_every_reason_has_an_issue_type_of_r4(reason: Reason) -> None:
    assert reason.issue_type in ISSUE_TYPES


def test_slugs_are_not_used_twice() -> None:
    assert len({kind.slug for kind in ProblemKind}) == len(ProblemKind)
    assert len({reason.slug for reason in Reason}) == len(Reason)
