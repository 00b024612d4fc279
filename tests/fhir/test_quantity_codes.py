"""The codes that are read are published where a client can fetch them, and on a page of the guide, from one table."""

from __future__ import annotations

from typing import Any

from fhir.resources.R4B.codesystem import CodeSystem
from fhir.resources.R4B.conceptmap import ConceptMap
from fhir.resources.R4B.valueset import ValueSet
from guide.codes import FILE, page

from ebbmark.fhir.codesystem import display_of, quantities, readable_codes, standard_codes
from ebbmark.fhir.naming import BASE
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.charting import with_charting
from ebbmark.fhir.reading.codes import MEANINGS, NO_CODE_MAP, OWN_QUANTITIES, ROWS
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.reading.terminology import read_code_map
from ebbmark.physiology.readings import Quantity
from fhir_builders import MDC, bundle, height, observation, patient, to_bytes


def test_they_fit_the_published_models() -> None:
    CodeSystem.model_validate(quantities())
    ValueSet.model_validate(readable_codes())
    ConceptMap.model_validate(standard_codes())


def test_every_meaning_is_a_code_with_words_and_units() -> None:
    published: Any = quantities()

    assert [one["code"] for one in published["concept"]] == list(MEANINGS)
    assert published["url"] == OWN_QUANTITIES == f"{BASE}/CodeSystem/quantities"
    assert display_of("peep-set") == "PEEP set"


def test_every_known_code_is_in_the_map_and_those_not_read_say_why() -> None:
    published: Any = standard_codes()

    rows = {
        (group["source"], one["code"]): one["target"][0] for group in published["group"] for one in group["element"]
    }
    assert rows.keys() == {(row.system, row.code) for row in ROWS}
    assert all(row.get("code") or row.get("comment") for row in rows.values())


def test_the_published_map_read_as_a_site_s_own_changes_nothing() -> None:
    code_map = read_code_map(to_bytes(standard_codes()))

    for row in ROWS:
        assert code_map.table[row.system, row.code].meaning is row.meaning


def test_a_reference_id_is_read_as_its_code() -> None:
    trial = bundle(patient(), height(), observation(f"{MDC}|MDC_VENT_PRESS_AWAY_END_EXP_POS", 10.0))

    request = read_request(TITRATE_PEEP, to_bytes(trial), RequestContext(1772355600.0 + 86400.0))

    assert [reading.quantity for reading in request.readings] == [Quantity.PEEP_MEASURED]


def test_the_page_of_codes_is_what_the_table_says_today() -> None:
    assert FILE.read_text(encoding="utf-8") == page(), "run python deploy/guide/codes.py"


def test_the_charting_table_of_the_page_can_be_used() -> None:
    (example,) = [one for one in page().split("```json\n")[1:] if "signed_by" in one]

    assert with_charting(NO_CODE_MAP, "example", example.partition("```")[0].encode()).zone is not None
