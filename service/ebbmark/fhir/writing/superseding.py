"""How does a result look once a newer answer for the same trial has taken its place?

Observation and DetectedIssue become `cancelled`. In FHIR R4 (codesystem-observation-status) `entered-in-error` is for a
record that should never have existed, and the definition itself asks for `cancelled` where real-world activity has
taken place; `amended` and `corrected` speak of changes after a final release, which a preliminary result never had.
GuidanceResponse has no such status in R4: it stays what it was, an evaluation that succeeded, and its first note says
that it no longer holds. Every one of them carries a tag that names the newer answer.

Source: FHIR R4 observation.html, detectedissue.html, guidanceresponse.html, provenance.html.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import cast

from ebbmark.fhir.codesystem import BASE
from ebbmark.fhir.writing.frame import REQUEST_SYSTEM
from ebbmark.fhir.writing.provenance import SOFTWARE_SYSTEM

__all__ = ["SUPERSEDED_SYSTEM", "superseded", "superseded_by", "supersession", "unmarked"]

SUPERSEDED_SYSTEM = f"{BASE}/sid/superseded-by"
"""System of the tag of a superseded result; the code is the identity of the answer that took its place."""

Json = dict[str, object]

_CANCELLED = frozenset({"Observation", "DetectedIssue"})
_NOTED = frozenset({"Observation", "GuidanceResponse"})
_NOTE = "Superseded: a newer answer for the same trial has taken the place of this one."
_TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
_ASSEMBLER: Json = {"coding": [{"system": f"{_TERMINOLOGY}/provenance-participant-type", "code": "assembler"}]}
_UPDATE: Json = {"coding": [{"system": f"{_TERMINOLOGY}/v3-DataOperation", "code": "UPDATE"}]}


def superseded(resource: Mapping[str, object], by: str) -> Json:
    """The stored result as it is to be stored again.

    Args:
        resource: as the record gave it.
        by: identity of the answer that takes its place.
    """
    kind = resource["resourceType"]
    meta = dict(cast("Json", resource.get("meta", {})))
    for name in ("versionId", "lastUpdated", "source"):
        meta.pop(name, None)
    tags = [tag for tag in cast("list[Json]", meta.get("tag", [])) if tag.get("system") != SUPERSEDED_SYSTEM]
    changed: Json = {**resource, "meta": {**meta, "tag": [*tags, {"system": SUPERSEDED_SYSTEM, "code": by}]}}
    if kind in _CANCELLED:
        changed["status"] = "cancelled"
    if kind in _NOTED:
        changed["note"] = [{"text": _NOTE}, *cast("list[Json]", resource.get("note", []))]
    return changed


def superseded_by(resource: Mapping[str, object]) -> str:
    """Identity of the answer that took the place of this result; empty where it stands."""
    meta = resource.get("meta")
    tags = meta.get("tag") if isinstance(meta, Mapping) else None
    for tag in tags if isinstance(tags, list) else []:
        if isinstance(tag, Mapping) and tag.get("system") == SUPERSEDED_SYSTEM:
            return str(tag.get("code", ""))
    return ""


def unmarked(resource: Mapping[str, object]) -> Mapping[str, object]:
    """The result as it was before it was marked superseded; one without the mark as it is."""
    if not superseded_by(resource):
        return resource
    changed = dict(resource)
    if resource.get("resourceType") in _CANCELLED and resource.get("status") == "cancelled":
        changed["status"] = "preliminary"
    notes = resource.get("note")
    if isinstance(notes, list) and notes and notes[0] == {"text": _NOTE}:
        changed["note"] = notes[1:]
        if not changed["note"]:
            del changed["note"]
    meta = dict(cast("Json", resource["meta"]))
    meta["tag"] = [tag for tag in cast("list[Json]", meta["tag"]) if tag.get("system") != SUPERSEDED_SYSTEM]
    return {**changed, "meta": meta}


def supersession(
    targets: Sequence[str], *, old: str, new: str, engine_version: str, recorded: str
) -> tuple[Json, tuple[str, str]]:
    """FHIR R4 Provenance over the change of the old results.

    Args:
        targets: references of the results that were changed.
        old: identity of the answer that no longer stands.
        new: identity of the answer that took its place.
        engine_version: of the software that made the change.
        recorded: FHIR instant.

    Returns:
        The resource, and system and code of its tag, by which it is found again.
    """
    tag = (SUPERSEDED_SYSTEM, f"{new}:over:{old}")
    provenance: Json = {
        "resourceType": "Provenance",
        "meta": {"tag": [{"system": tag[0], "code": tag[1]}]},
        "target": [{"reference": target} for target in targets],
        "recorded": recorded,
        "activity": _UPDATE,
        "agent": [
            {
                "type": _ASSEMBLER,
                "who": {
                    "identifier": {"system": SOFTWARE_SYSTEM, "value": f"ebbmark-{engine_version}"},
                    "display": "Ebbmark",
                },
            }
        ],
        "entity": [
            {"role": "source", "what": {"identifier": {"system": REQUEST_SYSTEM, "value": new}, "display": _NOTE}}
        ],
    }
    return provenance, tag
