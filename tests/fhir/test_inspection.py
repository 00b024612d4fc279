"""Charted data are profiled before they are mapped: what is read, what is not and why, and what it may be."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.profile_report import likeliest
from ebbmark.fhir.profiling import CodeMet, resources_in
from ebbmark.fhir.reading.charting import with_charting
from ebbmark.fhir.reading.codes import NO_CODE_MAP, OWN_QUANTITIES
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.reading.terminology import read_code_map
from ebbmark.fhir.writing.validate import validate
from ebbmark.physiology.readings import Quantity
from ebbmark.use_cases.inspection import Inspection, inspect
from ebbmark.use_cases.questions import answer_request
from fhir_builders import Json, at, bundle, height, patient, to_bytes, trial_bundle

NOW_S = 1772355600.0 + 86400.0
CHART = "urn:example:chart"


def charted(code: str, display: str, values: list[float], unit: Json, **more: object) -> list[Json]:
    """One item of a chart, every three minutes, under a local code."""
    return [
        {
            "resourceType": "Observation",
            "id": f"{code}-{number}",
            "status": "final",
            "category": [{"coding": [{"code": "procedure"}]}],
            "code": {"coding": [{"system": CHART, "code": code, "display": display}]},
            "subject": {"reference": "Patient/p1"},
            "effectiveDateTime": at(3 * number),
            "valueQuantity": {"value": value, **unit},
            **more,
        }
        for number, value in enumerate(values)
    ]


UCUM_CM: Json = {"unit": "cmH2O", "system": "http://unitsofmeasure.org", "code": "cm[H2O]"}
PEEPS = [20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0]
LOCAL = [
    *charted("x1", "PEEP eingestellt", PEEPS, UCUM_CM),
    *charted("x2", "Plateau", [28.5, 26.2, 24.1, 22.0, 20.4, 19.7, 19.5], {"unit": "cmH2O"}),
    *charted("x3", "Vt exp", [380.0] * 7, {"unit": "ML"}),
    *charted("x4", "Bed angle", [30.0] * 7, {"unit": "deg"}),
]
RECORD = to_bytes(bundle(patient(), height(), *LOCAL))


def inspected(content: bytes = RECORD) -> Inspection:
    return inspect(content, RequestContext(NOW_S))


def met(found: Inspection, code: str) -> CodeMet:
    return next(one for one in found.profile.codes if one.concept.code == code)


def test_every_code_is_told_with_its_count_unit_and_range() -> None:
    plateau = met(inspected(), "x2")

    assert (plateau.count, plateau.low, plateau.high) == (7, 19.5, 28.5)
    assert [unit.unit for unit in plateau.units] == ["cmH2O"]
    assert dict(plateau.categories) == {"procedure": 7}
    assert dict(plateau.outcomes) == {"unknown-code": 7}


def test_what_is_read_is_told_as_the_reader_of_requests_reads_it() -> None:
    found = inspect(to_bytes(trial_bundle()), RequestContext(NOW_S))

    assert {code.quantity for code in found.profile.codes} >= {"peep-set", "plateau-pressure", "tidal-volume-expired"}
    assert not found.profile.unread
    assert found.trial == ("One can be read: 8 steps of PEEP.",)


@pytest.mark.parametrize(
    ("name", "value", "unit", "quantity"),
    [
        ("ABP mean", 78.0, "mmHg", Quantity.MEAN_ARTERIAL_PRESSURE),
        ("NBP mean", 78.0, "mmHg", Quantity.MEAN_ARTERIAL_PRESSURE),
        ("ART mean", 78.0, "mmHg", Quantity.MEAN_ARTERIAL_PRESSURE),
        ("P mean", 16.0, "cmH2O", Quantity.MEAN_AIRWAY_PRESSURE),
        ("CVP mean", 9.0, "mmHg", None),
        ("ICP mean", 12.0, "mmHg", None),
        ("PAP mean", 25.0, "mmHg", None),
        ("PA mean", 25.0, "mmHg", None),
        ("Alarm PEEP low", 5.0, "cmH2O", None),
        ("PEEP high", 25.0, "cmH2O", None),
        ("PIP limit", 40.0, "cmH2O", None),
    ],
)
def test_other_pressures_and_alarm_limits_are_proposed_as_none_of_ours(
    name: str, value: float, unit: str, quantity: Quantity | None
) -> None:
    found = inspected(to_bytes(bundle(patient(), *charted("x", name, [value] * 3, {"unit": unit}))))

    assert [one.quantity for one in found.proposed.values()] == ([] if quantity is None else [quantity])


def test_the_likeliest_quantity_follows_from_words_unit_range_and_neighbours() -> None:
    found = inspected()

    proposed = {found.profile.codes[place].concept.code: one.quantity for place, one in found.proposed.items()}
    assert proposed == {
        "x1": Quantity.PEEP_SET,
        "x2": Quantity.PLATEAU_PRESSURE,
        "x3": Quantity.TIDAL_VOLUME_EXPIRED,
    }


@pytest.mark.parametrize(
    ("name", "value", "unit", "proposed"),
    [
        ("Height", 168.0, "cm", ["height"]),
        ("Körpergröße", 1.68, "m", ["height"]),
        ("Ht", 66.0, "[in_i]", ["height"]),
        ("Bed height", 168.0, "cm", []),
        ("Sitting height", 168.0, "cm", []),
        ("Height", 168.0, "mm", []),
        ("Height", 168.0, "mL", []),
    ],
)
def test_a_body_height_under_a_local_code_is_proposed(name: str, value: float, unit: str, proposed: list[str]) -> None:
    found = inspected(to_bytes(bundle(patient(), *charted("x", name, [value], {"unit": unit}))))

    assert [one.slug for one in found.proposed.values()] == proposed


def test_earlier_results_of_this_service_are_counted_and_never_proposed_for_the_map() -> None:
    answer = json.loads(Path("fixtures/clear-closing/answer.json").read_bytes())
    results = [one["resource"] for one in answer["entry"] if one["resource"]["resourceType"] == "Observation"]

    found = inspected(to_bytes(bundle(patient(), height(), *LOCAL, *results)))

    assert found.profile.own_results == len(results) > 0
    assert found.draft == inspected().draft
    assert f"{len(results)} earlier results of this service" in found.text


def test_a_unit_of_another_kind_speaks_against_a_name() -> None:
    found = inspected(to_bytes(bundle(*charted("p", "PEEP", PEEPS, {"unit": "mL"}))))

    assert not found.proposed


def test_a_name_that_does_not_say_set_or_measured_is_marked_to_be_looked_at() -> None:
    found = inspected(to_bytes(bundle(*charted("p", "PEEP", PEEPS, UCUM_CM))))

    (likely,) = found.proposed.values()
    assert likely.quantity is Quantity.PEEP_MEASURED
    assert likely.doubts == ("its name does not say whether it is set or measured",)


def test_numbers_below_peep_at_the_same_moments_are_no_plateau() -> None:
    known = [
        {**one, "code": {"coding": [{"system": "http://loinc.org", "code": "20077-4"}]}}
        for one in charted("x", "", [20.0] * 7, UCUM_CM)
    ]
    found = inspected(to_bytes(bundle(*known, *charted("p", "P plat", [9.0] * 7, UCUM_CM))))

    (likely,) = found.proposed.values() or (None,)
    assert likely is None or "what was charted at the same moments speaks against it" in likely.doubts


def test_nothing_is_proposed_for_what_has_no_name_that_is_known() -> None:
    found = inspected(to_bytes(bundle(*charted("q", "Item 4711", PEEPS, UCUM_CM))))

    assert likeliest(found.profile.codes[0], found.profile) is None


def test_the_draft_is_valid_r4_and_maps_nothing_until_a_person_agrees() -> None:
    draft = inspected().draft

    assert validate({"resourceType": "Bundle", "type": "collection", "entry": [{"resource": draft}]}) == ()
    with pytest.raises(Rejected):
        read_code_map(to_bytes(draft))


def test_the_corrected_draft_makes_the_record_readable() -> None:
    agreed = json.loads(json.dumps(inspected().draft).replace("relatedto", "equivalent"))
    readable = RECORD.replace(b'"ML"', b'"mL"')

    found = answer_request(TITRATE_PEEP, readable, RequestContext(NOW_S, code_map=read_code_map(to_bytes(agreed))))

    assert agreed["group"][0]["target"] == OWN_QUANTITIES
    assert [step.peep_cmh2o for step in found.titration.trial.steps] == PEEPS


def test_bundles_within_bundles_contained_resources_and_ndjson_hold_the_same() -> None:
    report: Json = {"resourceType": "DiagnosticReport", "id": "r", "contained": LOCAL}
    nested = to_bytes(bundle(patient(), height(), bundle(report)))
    lines = b"\n".join(to_bytes(one) for one in (patient(), height(), *LOCAL))

    whole, within, listed = (inspected(one).profile for one in (RECORD, nested, lines))

    counts = [
        [(code.concept, code.count, code.low, code.high) for code in profile.codes]
        for profile in (whole, within, listed)
    ]
    assert counts[0] == counts[1] == counts[2]


def test_of_patients_only_counts_and_ranges_are_told() -> None:
    person = patient() | {"name": [{"family": "Quillfeather"}], "identifier": [{"value": "4711-0815"}]}
    found = inspected(to_bytes(bundle(person, height(), *LOCAL)))

    for told in (found.text, json.dumps(found.values), json.dumps(found.draft)):
        assert "Quillfeather" not in told
        assert "4711-0815" not in told
        assert "1960" not in told
        assert "2026-03" not in told
        assert "Patient/p1" not in told


def test_what_is_left_out_is_told_with_what_would_help() -> None:
    unzoned = charted("u", "PEEP", [10.0], UCUM_CM, effectiveDateTime="2026-03-01T10:00:00")
    known = {**unzoned[0], "code": {"coding": [{"system": "http://loinc.org", "code": "20077-4"}]}}

    text = inspected(to_bytes(bundle(known))).text

    assert "its time has no zone; what helps: a zone, as in 2026-03-01T10:00:00+01:00" in text


def test_several_patients_are_tallied_and_no_trial_is_looked_for() -> None:
    other = [{**one, "id": f"b{number}", "subject": {"reference": "Patient/p2"}} for number, one in enumerate(LOCAL)]

    found = inspected(b"\n".join(to_bytes(one) for one in (*LOCAL, *other)))

    assert found.profile.patients == 2
    assert found.trial[0].startswith("Not looked for")


@pytest.mark.parametrize("content", [b"", b"PEEP;10", b"{}", b"[]", b'{"resourceType":"Patient"}\nno JSON'])
def test_what_is_no_fhir_is_refused_with_what_is_accepted(content: bytes) -> None:
    with pytest.raises(Rejected, match="NDJSON"):
        inspected(content)


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner)
            | st.dictionaries(
                st.sampled_from(
                    [
                        "code",
                        "coding",
                        "subject",
                        "component",
                        "valueQuantity",
                        "value",
                        "contained",
                        "category",
                        "effectiveDateTime",
                        "reference",
                        "unit",
                    ]
                ),
                inner,
            )
        ),
        max_leaves=12,
    )
)
def test_observations_of_any_shape_are_tallied(inner: object) -> None:
    body = {"resourceType": "Observation", **(inner if isinstance(inner, dict) else {"code": inner})}

    assert inspected(to_bytes(body)).profile.types == {"Observation": len(resources_in(to_bytes(body)))}


def test_the_order_of_a_record_changes_nothing() -> None:
    shuffled = list(LOCAL)
    random.Random(7).shuffle(shuffled)

    assert inspected(to_bytes(bundle(patient(), height(), *shuffled))).text == inspected().text


def test_texts_numbers_and_times_are_told_as_a_request_reads_them() -> None:
    rows = {
        "texts": [{"text": "SpO2 peripher", "means": "spo2", "source": "x"}],
        "numbers": [{"system": "http://loinc.org", "code": "20077-4", "ucum": "cm[H2O]", "source": "x"}],
        "time_zone": {"name": "Europe/Vienna", "source": "x"},
    }
    signed = {"version": "1", "signed_by": "Dr A. Invented", "signed_on": "2026-02-01", **rows}
    (one,) = charted("", "", [97.0], {"code": "%", "unit": "%", "system": "http://unitsofmeasure.org"})
    by_text = {**one, "id": "t", "code": {"text": "SpO2 peripher"}, "effectiveDateTime": "2026-03-01T10:00:00"}
    peep = {"coding": [{"system": "http://loinc.org", "code": "20077-4"}]}
    bare = {key: value for key, value in by_text.items() if key != "valueQuantity"}
    number = {**bare, "id": "n", "code": peep, "valueString": "12"}
    content = to_bytes(bundle(patient(), height(), by_text, number))

    codes = with_charting(NO_CODE_MAP, "charting.json", to_bytes(signed))
    found = inspect(content, RequestContext(NOW_S, code_map=codes))
    without = inspect(content, RequestContext(NOW_S)).text

    assert {code.quantity for code in found.profile.codes} == {"spo2", "peep-set", "height"}
    assert found.profile.first_s is not None
    assert "a row in texts of the site's charting table (EBBMARK_CHARTING)" in without
    assert '{"text":"SpO2 peripher","means":"spo2","source":"..."}' in without


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("PEEP int", "cm[H2O]"),
        ("PEEP intrinsic", "cm[H2O]"),
        ("iPEEP", "cm[H2O]"),
        ("PEEP max", "cm[H2O]"),
        ("PEEP Delta", "cm[H2O]"),
        ("Pplat max", "cm[H2O]"),
        ("PEEP spont", "cm[H2O]"),
        ("SpO2 target", "%"),
        ("Compliance", "mL/cm[H2O]"),
    ],
)
def test_a_name_that_may_mean_another_thing_has_no_equivalence_until_a_person_decides(name: str, unit: str) -> None:
    ucum: Json = {"code": unit, "unit": unit, "system": "http://unitsofmeasure.org"}
    value = 94.0 if unit == "%" else 20.0
    found = inspected(to_bytes(bundle(patient(), height(), *charted("d1", name, [value] * 3, ucum))))

    (likely,) = found.proposed.values()
    (element,) = found.draft["group"][0]["element"]  # type: ignore[index]
    assert any("its name" in doubt for doubt in likely.doubts)
    assert element["target"][0]["equivalence"] == "unmatched"
    assert "Look at: " in element["target"][0]["comment"]
    assert validate({"resourceType": "Bundle", "type": "collection", "entry": [{"resource": found.draft}]}) == ()
