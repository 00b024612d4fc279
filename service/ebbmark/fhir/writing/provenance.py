"""Where an answer comes from: the software as Device, and one Provenance over all results.

The input digest and the rules are named as entities, so that a replay can compare them. What the caller or the site
chose beside the data stands in a contained Parameters resource.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import msgspec

from ebbmark.fhir.codesystem import BASE
from ebbmark.fhir.writing.enterer import enterer_agent
from ebbmark.fhir.writing.frame import RESULT_SYSTEM, Frame, Reference
from ebbmark.fhir.writing.instants import instant
from ebbmark.fhir.writing.request_parameters import REQUEST_PARAMETERS, request_parameters
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

SOFTWARE_SYSTEM = f"{BASE}/sid/software"
PROTOCOL_SYSTEM = f"{BASE}/sid/protocol"
DIGEST_SYSTEM = f"{BASE}/sid/input-digest"

_ASSEMBLER = standard("provenance-participant-type", "assembler", "Assembler")
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
    """FHIR R4 Provenance over the results, with every rule set and the digest of the inputs as entities.

    Args:
        frame: the shared parts of the answer.
        targets: the results.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z]; the only time here that is not the answer's.
        enterer: the person who chose to record, as `person_who_enters` gives it; None where none did.
    """
    answer = frame.answer
    entities = [
        *[_Entity(reference) for reference in frame.all_inputs()],
        *[_identified(PROTOCOL_SYSTEM, f"{rule.slug}|{rule.version}", rule.title) for rule in answer.rules],
        _identified(DIGEST_SYSTEM, answer.input_digest, "SHA-256 over the canonical inputs used"),
        {"role": "source", "what": {"reference": f"#{REQUEST_PARAMETERS}", "display": "Choices of the request"}},
    ]
    made = stamped(frame, PROVENANCE, targets, entities, recorded_s, enterer)
    return {**made, "contained": [request_parameters(answer)]}


def _identified(system: str, value: str, display: str) -> dict[str, object]:
    return {"role": "source", "what": {"identifier": {"system": system, "value": value}, "display": display}}


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
        "meta": {"tag": [{"system": RESULT_SYSTEM, "code": f"{frame.answer.identity}:{kind}"}]},
        "target": targets,
        "recorded": instant(recorded_s),
        "activity": _CREATE,
        "agent": [{"type": _ASSEMBLER, "who": frame.device}, *([enterer_agent(enterer)] if enterer else [])],
        "entity": entities,
    }
