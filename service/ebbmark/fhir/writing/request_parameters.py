"""What the caller or the site chose beside the data, in the shape of the operation's own parameters.

With the inputs these parameters are the whole request again, so that any answer can be computed anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.quantities import PRESSURE
from ebbmark.fhir.reading.parameters import INSTANTS, QUANTITIES
from ebbmark.fhir.reading.question import Asked
from ebbmark.fhir.reading.units import UCUM
from ebbmark.fhir.sources import MappedCode
from ebbmark.fhir.writing.instants import instant
from ebbmark.physiology.before.plan import Variant

__all__ = ["REQUEST_PARAMETERS", "request_parameters"]

REQUEST_PARAMETERS = "request"
"""Id of the contained Parameters with what was chosen beside the data."""

_PRESSURE = {"unit": PRESSURE.text, "system": UCUM, "code": PRESSURE.code}


def request_parameters(answer: Answer) -> dict[str, object]:
    """FHIR R4 Parameters with what was chosen beside the data.

    Args:
        answer: with its request.
    """
    request = answer.request
    protocol, asked = request.protocol, request.asked
    parameters: list[dict[str, object]] = [{"name": "protocol", "valueString": f"{protocol.slug}|{protocol.version}"}]
    if "margin" in BY_SLUG[answer.operation].parameters:
        # Exactly, not as rounded for people.
        parameters.append({"name": "margin", "valueQuantity": {**_PRESSURE, "value": protocol.margin_cmh2o}})
    if asked.sex is not None:
        parameters.append({"name": "sex-for-formula", "valueCode": asked.sex.value})
    if request.preliminary_inputs:
        parameters.append({"name": "accept-preliminary", "valueBoolean": True})
    if asked.conditions_not_read:
        parameters.append({"name": "conditions-not-read", "valueBoolean": True})
    if request.mapped_codes:
        parameters.append({"name": "concept-map", "resource": _concept_map(request.mapped_codes)})
    parameters += _of_one_question(asked)
    if answer.titrated is None:
        parameters.append({"name": "as-of", "valueInstant": instant(request.as_of_s)})
    return {"resourceType": "Parameters", "id": REQUEST_PARAMETERS, "parameter": parameters}


def _concept_map(codes: Sequence[MappedCode]) -> dict[str, object]:
    """The site's own codes that were received, with what they were read as."""
    groups = [
        {
            **({"source": source} if source else {}),
            "target": target,
            "element": [
                {"code": one.code, "target": [{"code": one.target_code, "equivalence": "equivalent"}]} for one in rows
            ],
        }
        for (source, target), rows in groupby(sorted(codes, key=_systems), key=_systems)
    ]
    return {"resourceType": "ConceptMap", "status": "active", "group": groups}


def _systems(code: MappedCode) -> tuple[str, str]:
    return code.system, code.target_system


def _of_one_question(asked: Asked) -> list[dict[str, object]]:
    """What was asked for one question alone; what every question takes is left out."""
    found: list[dict[str, object]] = []
    for name, (field_name, unit, _, _) in QUANTITIES.items():
        value = getattr(asked, field_name)
        if value is not None:
            found.append({"name": name, "valueQuantity": {"value": value, "system": UCUM, "code": unit}})
    for name, field_name in INSTANTS.items():
        at_s = getattr(asked, field_name)
        if at_s is not None:
            found.append({"name": name, "valueInstant": instant(at_s)})
    if asked.staircase is not None:
        found.append({"name": "staircase", "valueString": f"{asked.staircase.slug}|{asked.staircase.version}"})
    if asked.variant is not Variant.DECREMENTAL_ONLY:
        found.append({"name": "variant", "valueCode": asked.variant.value})
    found += [{"name": "acknowledged", "valueString": what} for what, _ in asked.acknowledged.what]
    if asked.acknowledged.who is not None:
        found.append({"name": "acknowledged-by", "valueReference": asked.acknowledged.who.as_reference})
    return found
