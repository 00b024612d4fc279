"""What the service says of itself: made from the parameter table and the CodeSystem that it uses."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

from fhir.resources.R4B.capabilitystatement import CapabilityStatement
from fhir.resources.R4B.codesystem import CodeSystem
from fhir.resources.R4B.operationdefinition import OperationDefinition

import ebbmark.physiology
from ebbmark import __version__
from ebbmark.fhir.codesystem import CONCEPTS, code_system
from ebbmark.fhir.definitions import capability_statement, definition_of, replay_definition
from ebbmark.fhir.naming import CODE_SYSTEM
from ebbmark.fhir.operations import PARAMETERS, TITRATE_PEEP
from ebbmark.fhir.writing.write import OPERATION

BASE_URL = "https://decision.example/fhir"


def test_the_capability_statement_is_of_this_running_instance() -> None:
    statement = capability_statement(base_url=BASE_URL)

    assert statement["kind"] == "instance"
    assert statement["fhirVersion"] == "4.0.1"
    assert statement["implementation"] == {"description": "Ebbmark decision support service", "url": BASE_URL}
    assert statement["software"] == {"name": "Ebbmark", "version": __version__}


def test_the_capability_statement_names_the_operation_by_its_canonical_address() -> None:
    statement: Any = capability_statement(base_url=BASE_URL)

    named = {one["name"]: one["definition"] for one in statement["rest"][0]["operation"]}
    for one in (definition_of(TITRATE_PEEP), replay_definition()):
        assert named[str(one["code"])] == one["url"]
    assert named["titrate-peep"] == OPERATION


def test_the_operation_states_every_parameter_of_the_table_in_order() -> None:
    definition: Any = definition_of(TITRATE_PEEP)

    stated = [(row["name"], row["use"], row["min"], row["max"], row["type"]) for row in definition["parameter"]]
    rows = [PARAMETERS[name] for name in TITRATE_PEEP.parameters]
    assert stated == [
        *[(row.name, "in", row.minimum, row.maximum, row.fhir_type) for row in rows],
        ("return", "out", 1, "1", "Bundle"),
    ]


def test_the_operation_is_for_the_system_level_and_for_one_patient_and_no_get() -> None:
    definition = definition_of(TITRATE_PEEP)

    assert (definition["system"], definition["type"], definition["instance"]) == (True, False, True)
    assert definition["affectsState"] is True
    assert definition["code"] == "titrate-peep"


def test_every_parameter_value_stands_where_its_type_says() -> None:
    for row in PARAMETERS.values():
        is_resource = row.fhir_type in {"Bundle", "Patient", "Observation", "Condition", "ConceptMap"}
        expected = "resource" if is_resource else "value" + row.fhir_type[0].upper() + row.fhir_type[1:]
        assert row.element == expected, row.name


def test_the_code_system_has_each_code_once_with_a_definition() -> None:
    codes = [row.code for row in CONCEPTS]

    assert len(set(codes)) == len(codes)
    assert all(row.display and row.definition.endswith(".") for row in CONCEPTS)
    assert code_system()["count"] == len(codes)
    assert code_system()["url"] == CODE_SYSTEM


def said_by_the_physiology() -> set[str]:
    """Slugs of all cautions and observations in the source of the physiology, EVIDENCE (true of every trial) apart."""
    slugs = set()
    for file in Path(ebbmark.physiology.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in {"Caution", "Observed"}
                and isinstance(node.args[0], ast.Constant)
            ):
                slugs.add(str(node.args[0].value))
    return slugs


def test_every_caution_that_the_physiology_can_say_has_a_code() -> None:
    slugs = said_by_the_physiology()

    assert "disconnection" in slugs
    assert slugs <= {row.code for row in CONCEPTS}


def test_all_definitions_fit_the_published_models() -> None:
    CapabilityStatement.model_validate(capability_statement(base_url=BASE_URL))
    OperationDefinition.model_validate(definition_of(TITRATE_PEEP))
    CodeSystem.model_validate(code_system())
