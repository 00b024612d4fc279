"""Where does this answer come from? The software as Device, and one Provenance over all results.

The input digest and the protocol are named as entities, so that a replay can compare them. What the caller or the site
chose beside the data stands in a contained Parameters resource, in the shape of the operation's own parameters, so that
the inputs and these parameters are the whole request again.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import groupby

import msgspec

from ebbmark.fhir.codesystem import BASE
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.reading.units import UCUM
from ebbmark.fhir.sources import MappedCode
from ebbmark.fhir.writing.enterer import enterer_agent
from ebbmark.fhir.writing.frame import RESULT_SYSTEM, Frame, Reference
from ebbmark.fhir.writing.instants import instant
from ebbmark.fhir.writing.quantities import PRESSURE
from ebbmark.fhir.writing.terms import encoded, standard

__all__ = [
    "DIGEST_SYSTEM",
    "PROTOCOL_SYSTEM",
    "PROVENANCE",
    "REQUEST_PARAMETERS",
    "SOFTWARE_SYSTEM",
    "device",
    "provenance",
    "stamped",
]

PROVENANCE = "provenance"
"""Kind of the Provenance over the results."""

REQUEST_PARAMETERS = "request"
"""Id of the contained Parameters with what was chosen beside the data."""

SOFTWARE_SYSTEM = f"{BASE}/sid/software"
PROTOCOL_SYSTEM = f"{BASE}/sid/protocol"
DIGEST_SYSTEM = f"{BASE}/sid/input-digest"

_ASSEMBLER = standard("provenance-participant-type", "assembler", "Assembler")
_PRESSURE = {"unit": PRESSURE.text, "system": UCUM, "code": PRESSURE.code}
_CREATE = standard("v3-DataOperation", "CREATE", "create")


class _Entity(msgspec.Struct, gc=False):
    what: Reference
    role: str = "source"


@lru_cache(maxsize=8)
def device(engine_version: str) -> msgspec.Raw:
    """FHIR R4 Device: this software in this version. One per version in a record, found again by its identifier."""
    return encoded(
        {
            "resourceType": "Device",
            "identifier": [{"system": SOFTWARE_SYSTEM, "value": f"ebbmark-{engine_version}"}],
            "status": "active",
            "deviceName": [{"name": "Ebbmark", "type": "user-friendly-name"}],
            "type": {"text": "Decision support software for reading PEEP trials; not a medical device"},
            "version": [{"value": engine_version}],
        }
    )


def provenance(
    frame: Frame, targets: Sequence[Reference], recorded_s: float, enterer: str | None = None
) -> dict[str, object]:
    """FHIR R4 Provenance over the results.

    Args:
        frame: the shared parts of the answer.
        targets: the results.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z]; the only time here that is not the trial's.
        enterer: the person who chose to record, as `person_who_enters` gives it; None where none did.
    """
    recommendation = frame.recommendation
    protocol = recommendation.request.protocol
    entities = [
        *[_Entity(reference) for reference in frame.all_inputs()],
        {
            "role": "source",
            "what": {
                "identifier": {"system": PROTOCOL_SYSTEM, "value": f"{protocol.slug}|{protocol.version}"},
                "display": protocol.title,
            },
        },
        {
            "role": "source",
            "what": {
                "identifier": {"system": DIGEST_SYSTEM, "value": recommendation.input_digest},
                "display": "SHA-256 over the canonical inputs used",
            },
        },
        {"role": "source", "what": {"reference": f"#{REQUEST_PARAMETERS}", "display": "Choices of the request"}},
    ]
    made = stamped(frame, PROVENANCE, targets, entities, recorded_s, enterer)
    return {**made, "contained": [_request_parameters(recommendation.request)]}


def _request_parameters(request: Request) -> dict[str, object]:
    """What was chosen beside the data, as parameters of the operation."""
    protocol, sex = request.protocol, request.asked.sex
    parameters: list[dict[str, object]] = [
        {"name": "protocol", "valueString": f"{protocol.slug}|{protocol.version}"},
        # Exactly, not as rounded for people.
        {"name": "margin", "valueQuantity": {**_PRESSURE, "value": protocol.margin_cmh2o}},
    ]
    if sex is not None:
        parameters.append({"name": "sex-for-formula", "valueCode": sex.value})
    if request.preliminary_inputs:
        parameters.append({"name": "accept-preliminary", "valueBoolean": True})
    if request.mapped_codes:
        parameters.append({"name": "concept-map", "resource": _concept_map(request.mapped_codes)})
    return {"resourceType": "Parameters", "id": REQUEST_PARAMETERS, "parameter": parameters}


def _concept_map(codes: Sequence[MappedCode]) -> dict[str, object]:
    """The site's own codes that were received, with what they were read as."""
    groups = [
        {
            "source": source,
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


def stamped(
    frame: Frame,
    kind: str,
    targets: Sequence[Reference],
    entities: Sequence[object],
    recorded_s: float,
    enterer: str | None,
) -> dict[str, object]:
    """FHIR R4 Provenance over some resources of an answer: made by this software, recorded now, by somebody.

    R4 gives Provenance no identifier. Its tag carries the one of this answer instead: tags are searchable on every
    resource type, so that a conditional create can find it again.

    Args:
        frame: the shared parts of the answer.
        kind: of this Provenance.
        targets: what it is about.
        entities: what that was made from.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z].
        enterer: the person who chose to record, as `person_who_enters` gives it; None where none did.
    """
    return {
        "resourceType": "Provenance",
        "meta": {"tag": [{"system": RESULT_SYSTEM, "code": f"{frame.recommendation.identity}:{kind}"}]},
        "target": targets,
        "recorded": instant(recorded_s),
        "activity": _CREATE,
        "agent": [{"type": _ASSEMBLER, "who": frame.device}, *([enterer_agent(enterer)] if enterer else [])],
        "entity": entities,
    }
