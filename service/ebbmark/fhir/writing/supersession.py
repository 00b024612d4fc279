"""Supersession: results that a newer answer for the same trial replaces are marked, and the mark is taken off again.

Observation, DetectedIssue and DiagnosticReport become `cancelled`. In FHIR R4 (codesystem-observation-status)
`entered-in-error` is for a record that should never have existed, and the definition itself asks for `cancelled` where
real-world activity has taken place; `amended` and `corrected` speak of changes after a final release, which a
preliminary result never had. GuidanceResponse has no such status in R4: it stays what it was, an evaluation that
succeeded, and its first note says that it no longer holds. A report has no notes: its conclusion begins with it. Every
one of them carries a tag that names the newer answer. What was marked can be made current again, on purpose.

One List per patient names the current answers; its version is the lock (optimistic locking) under which answers are
written and marked.

Source: FHIR R4 observation.html, detectedissue.html, guidanceresponse.html, provenance.html, list.html.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from ebbmark.fhir.naming import BASE, REQUEST_SYSTEM, SOFTWARE_SYSTEM

Json = dict[str, object]

SUPERSEDED_SYSTEM = f"{BASE}/sid/superseded-by"
"""System of the tag of a superseded result; the code is the identity of the answer that took its place."""

CURRENT_SYSTEM = f"{BASE}/sid/current-answers"
"""System of the identifier of the List of current answers; the value is the reference of the patient."""

_CANCELLED = frozenset({"Observation", "DetectedIssue", "DiagnosticReport"})
_NOTED = frozenset({"Observation", "GuidanceResponse"})
_REPORT = "DiagnosticReport"
_NOTE = "Superseded: a newer answer for the same trial has taken the place of this one."
_AGAIN = "Current again: somebody asked for it on purpose."
_TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
_ASSEMBLER: Json = {"coding": [{"system": f"{_TERMINOLOGY}/provenance-participant-type", "code": "assembler"}]}
_UPDATE: Json = {"coding": [{"system": f"{_TERMINOLOGY}/v3-DataOperation", "code": "UPDATE"}]}


@dataclass(frozen=True, slots=True)
class StoredChange:
    """One change of what is stored.

    Attributes:
        enterer: FHIR Provenance.agent of the person who chose what leads to it; None where none did.
        version: of the closing pressure that is changed, so that a second change is not taken for the first.
    """

    engine_version: str
    recorded: str
    enterer: Json | None
    version: str


def superseded(resource: Mapping[str, object], by: str) -> Json:
    """The stored result as it is to be stored again; `by` is the identity of the answer that takes its place."""
    kind = resource["resourceType"]
    meta = _own_meta(resource)
    tags = [tag for tag in cast("list[Json]", meta.get("tag", [])) if tag.get("system") != SUPERSEDED_SYSTEM]
    changed: Json = {**resource, "meta": {**meta, "tag": [*tags, {"system": SUPERSEDED_SYSTEM, "code": by}]}}
    if kind in _CANCELLED:
        changed["status"] = "cancelled"
    if kind in _NOTED:
        changed["note"] = [{"text": _NOTE}, *cast("list[Json]", resource.get("note", []))]
    if kind == _REPORT:
        changed["conclusion"] = f"{_NOTE} {resource.get('conclusion', '')}".rstrip()
    return changed


def superseded_by(resource: Mapping[str, object]) -> str:
    """Identity of the answer that took the place of this result; empty where it stands.

    The tag alone does not tell: R4 lets a record keep the tags of earlier versions, so that it may outlive the mark.
    """
    if not _is_marked(resource):
        return ""
    meta = resource.get("meta")
    tags = meta.get("tag") if isinstance(meta, Mapping) else None
    for tag in tags if isinstance(tags, list) else []:
        if isinstance(tag, Mapping) and tag.get("system") == SUPERSEDED_SYSTEM:
            return str(tag.get("code", ""))
    return ""


def _is_marked(resource: Mapping[str, object]) -> bool:
    if resource.get("resourceType") in _CANCELLED:
        return resource.get("status") == "cancelled"
    notes = resource.get("note")
    return isinstance(notes, list) and bool(notes) and notes[0] == {"text": _NOTE}


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
    if resource.get("resourceType") == _REPORT:
        changed["conclusion"] = str(resource.get("conclusion", "")).removeprefix(_NOTE).removeprefix(" ")
    meta = dict(cast("Json", resource["meta"]))
    meta["tag"] = [tag for tag in cast("list[Json]", meta["tag"]) if tag.get("system") != SUPERSEDED_SYSTEM]
    return {**changed, "meta": meta}


def restored(resource: Mapping[str, object]) -> Json:
    """A result that was marked superseded, as it is to be stored again once it is current again."""
    changed = unmarked(resource)
    return {**changed, "meta": _own_meta(changed)}


def _own_meta(resource: Mapping[str, object]) -> Json:
    """Meta without what a record sets."""
    meta = cast("Json", resource.get("meta", {}))
    return {name: value for name, value in meta.items() if name not in ("versionId", "lastUpdated", "source")}


def supersession(targets: Sequence[str], *, old: str, new: str, change: StoredChange) -> tuple[Json, tuple[str, str]]:
    """FHIR R4 Provenance over the change of the old results, with system and code of its tag."""
    return _provenance(targets, f"{new}:over:{old}:{change.version}", new, _NOTE, change)


def restoration(targets: Sequence[str], *, identity: str, change: StoredChange) -> tuple[Json, tuple[str, str]]:
    """FHIR R4 Provenance over making the results of an answer current again, with system and code of its tag."""
    return _provenance(targets, f"{identity}:again:{change.version}", identity, _AGAIN, change)


def current_list(patient: str, current: Sequence[Json], *, after_version: str, recorded: str) -> Json:
    """FHIR R4 List that names the answers for the trials of one patient that are current, by their closing pressures.

    Its first note names the version that it follows, so that no two versions are alike: a record may keep the version
    of an update that changes nothing (FHIR R4 http.html#update), and the version is what the lock rests on.

    Args:
        after_version: the version that this one takes the place of; empty for the first.
    """
    made: Json = {
        "resourceType": "List",
        "identifier": [{"system": CURRENT_SYSTEM, "value": patient}],
        "status": "current",
        "mode": "working",
        "title": "Current answers to PEEP titrations",
        "subject": {"reference": patient},
        "date": recorded,
        "note": [{"text": f"Follows version {after_version}." if after_version else "No answer yet."}],
    }
    return {**made, "entry": list(current)} if current else made


def _provenance(
    targets: Sequence[str], code: str, reason: str, words: str, change: StoredChange
) -> tuple[Json, tuple[str, str]]:
    software: Json = {
        "type": _ASSEMBLER,
        "who": {
            "identifier": {"system": SOFTWARE_SYSTEM, "value": f"ebbmark-{change.engine_version}"},
            "display": "Ebbmark",
        },
    }
    provenance: Json = {
        "resourceType": "Provenance",
        "meta": {"tag": [{"system": SUPERSEDED_SYSTEM, "code": code}]},
        "target": [{"reference": target} for target in targets],
        "recorded": change.recorded,
        "activity": _UPDATE,
        "agent": [software, *([change.enterer] if change.enterer is not None else [])],
        "entity": [
            {"role": "source", "what": {"identifier": {"system": REQUEST_SYSTEM, "value": reason}, "display": words}}
        ],
    }
    return provenance, (SUPERSEDED_SYSTEM, code)
