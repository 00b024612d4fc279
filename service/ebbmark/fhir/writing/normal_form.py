"""The normal form of an answer: the same whether it stands in a Bundle or was written to a record and read back.

The normal form is what a signature covers and what a replay compares: the resources by kind (`guidance`,
`suggested-peep`, `step-3`, `device`, `provenance`, `outcome` …), with references inside the answer by the full URLs
that follow from the identity. What `write` changes for a record is changed back.

What is left out, since it is not the answer's (FHIR R4 resource.html#meta):

* `id`, `meta.versionId`, `meta.lastUpdated`, `meta.source`: a record sets them.
* `meta.profile`, `meta.security`, and tags that are not ours: labels for access and workflow, which R4 lets change
  without a new version (`$meta-add`). A replay names each that is there.
* what the answer, as it was returned, says of its write-back: it is about the delivery.
* that a clinician has signed a result (`status` final in place of preliminary), and nothing else of it changed.
* the value of a signature (`Provenance.signature.data`), which covers the rest.

Everything else counts, narrative (`text`) and extensions among it. Answers are written with one narrative, the lines
of the GuidanceResponse, since each would be one more thing that must agree with the numbers; so one on another
resource was put in by somebody, and people read it first. R4 lets a record make a narrative where none came, too. What
such a one says cannot be told from what a tamperer would say, so it counts as a difference all the same.

Results that a newer answer for the same trial supersedes are marked, and the normal form takes that off again.
Observation, DetectedIssue and DiagnosticReport become `cancelled`. In FHIR R4 (codesystem-observation-status)
`entered-in-error` is for a record that should never have existed, and the definition itself asks for `cancelled` where
real-world activity has taken place; `amended` and `corrected` speak of changes after a final release, which a
preliminary result never had. GuidanceResponse has no such status in R4: it stays what it was, an evaluation that
succeeded, and its first note says that it no longer holds. A report has no notes: its conclusion begins with it. Every
one of them carries a tag that names the newer answer. What was marked can be made current again, on purpose.

One List per patient names the current answers; its version is the lock under which answers are written and marked.

Source: FHIR R4 observation.html, detectedissue.html, guidanceresponse.html, provenance.html, list.html.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha1
from typing import cast
from uuid import NAMESPACE_URL, UUID

from ebbmark.fhir.naming import BASE, REQUEST_SYSTEM, RESULT_SYSTEM
from ebbmark.fhir.writing.provenance import SOFTWARE_SYSTEM, URI_SYSTEM
from ebbmark.fhir.writing.write import is_write_issue

SUPERSEDED_SYSTEM = f"{BASE}/sid/superseded-by"
"""System of the tag of a superseded result; the code is the identity of the answer that took its place."""

CURRENT_SYSTEM = f"{BASE}/sid/current-answers"
"""System of the identifier of the List of current answers; the value is the reference of the patient."""

Json = dict[str, object]

_CANCELLED = frozenset({"Observation", "DetectedIssue", "DiagnosticReport"})
_NOTED = frozenset({"Observation", "GuidanceResponse"})
_REPORT = "DiagnosticReport"
_NOTE = "Superseded: a newer answer for the same trial has taken the place of this one."
_AGAIN = "Current again: somebody asked for it on purpose."
_TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
_ASSEMBLER: Json = {"coding": [{"system": f"{_TERMINOLOGY}/provenance-participant-type", "code": "assembler"}]}
_UPDATE: Json = {"coding": [{"system": f"{_TERMINOLOGY}/v3-DataOperation", "code": "UPDATE"}]}


@dataclass(frozen=True, slots=True)
class Change:
    """One change of what is stored.

    Attributes:
        engine_version: of the software that makes it.
        enterer: FHIR Provenance.agent of the person who chose what leads to it; None where none did.
        version: of the closing pressure that is changed, so that a second change is not taken for the first.
    """

    engine_version: str
    recorded: str
    enterer: Json | None
    version: str


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
    changed = dict(unmarked(resource))
    meta = dict(cast("Json", changed.get("meta", {})))
    for name in ("versionId", "lastUpdated", "source"):
        meta.pop(name, None)
    return {**changed, "meta": meta}


def supersession(targets: Sequence[str], *, old: str, new: str, change: Change) -> tuple[Json, tuple[str, str]]:
    """FHIR R4 Provenance over the change of the old results.

    Args:
        targets: references of the results that were changed.
        old: identity of the answer that no longer stands.
        new: identity of the answer that took its place.
        change: by whom, when, and of which version.

    Returns:
        The resource, and system and code of its tag, by which it is found again.
    """
    return _provenance(targets, f"{new}:over:{old}:{change.version}", new, _NOTE, change)


def restoration(targets: Sequence[str], *, identity: str, change: Change) -> tuple[Json, tuple[str, str]]:
    """FHIR R4 Provenance over making the results of an answer current again.

    Args:
        targets: references of the results that were changed.
        change: by whom, when, and of which version.

    Returns:
        The resource, and system and code of its tag, by which it is found again.
    """
    return _provenance(targets, f"{identity}:again:{change.version}", identity, _AGAIN, change)


def current_list(patient: str, current: Sequence[Json], *, after_version: str, recorded: str) -> Json:
    """FHIR R4 List that names the answers for the trials of one patient that are current, by their closing pressures.

    Its first note names the version that it follows, so that no two versions are alike: a record may keep the version
    of an update that changes nothing (FHIR R4 http.html#update), and the version is what the lock rests on.

    Args:
        patient: `Patient/1`.
        current: the entries, each with an item that refers to a closing pressure and names its answer.
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
    targets: Sequence[str], code: str, reason: str, words: str, change: Change
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


_Resource = Mapping[str, object]

_OF_THE_RECORD = frozenset({"versionId", "lastUpdated", "source"})
_LABELS = ("profile", "security", "tag")
_OUTCOME = "outcome"


class NotAnAnswer(Exception):
    """The resources are not one answer of this service; the message says why, without any value."""


@dataclass(frozen=True, slots=True)
class NormalForm:
    """One answer.

    Attributes:
        identity: of the answer, as its results say.
    """

    identity: str
    parts: dict[str, dict[str, object]]

    def canonical(self) -> dict[str, object]:
        """The JSON value that is signed."""
        return {"identity": self.identity, "parts": self.parts}


def resources_of(bundle: object) -> list[tuple[str, _Resource]]:
    """Full URL and resource of each entry.

    Raises:
        NotAnAnswer: it is no Bundle.
    """
    entries = bundle.get("entry") if isinstance(bundle, dict) else None
    if not isinstance(entries, list):
        raise NotAnAnswer("there is no Bundle with entries")
    return [
        (str(entry.get("fullUrl", "")), entry["resource"])
        for entry in entries
        if isinstance(entry, dict) and isinstance(entry.get("resource"), dict)
    ]


def normal_form(resources: Iterable[tuple[str, _Resource]]) -> NormalForm:
    """Bring an answer into its normal form.

    Args:
        resources: full URL (or empty) and resource of each; those that are not of an answer are passed over.

    Raises:
        NotAnAnswer: no answer, more than one, or one kind twice.
    """
    identities: set[str] = set()
    named: dict[str, tuple[str, _Resource]] = {}
    outcomes: list[tuple[str, _Resource]] = []
    for full_url, resource in resources:
        identity, kind = _named(resource)
        if resource.get("resourceType") == "OperationOutcome":
            outcomes.append((full_url, resource))
        if not kind:
            continue
        if identity:
            identities.add(identity)
        if kind in named:
            raise NotAnAnswer(f"there are two resources of the kind {kind[:60]}")
        named[kind] = (full_url, resource)
    if len(identities) != 1:
        raise NotAnAnswer(f"there are {len(identities)} answers, one is needed")
    (identity,) = identities
    outcomes += _contained(named.get("guidance"))
    if len(outcomes) > 1:
        raise NotAnAnswer("there are two lists of inputs that did not count")
    if outcomes:
        named[_OUTCOME] = outcomes[0]
    places = {f"#{_OUTCOME}": full_url_of(identity, _OUTCOME)}
    for kind, (full_url, resource) in named.items():
        own = full_url_of(identity, kind)
        if resource.get("id"):
            places[f"{resource.get('resourceType')}/{resource['id']}"] = own
        if full_url:
            places[full_url] = own
    return NormalForm(identity, {kind: _plain(resource, places) for kind, (_, resource) in sorted(named.items())})


def full_url_of(identity: str, kind: str) -> str:
    """As `AnswerContext.to` makes it."""
    name = f"{RESULT_SYSTEM}|{identity}:{kind}".encode()
    digest = sha1(NAMESPACE_URL.bytes + name, usedforsecurity=False).digest()
    return f"urn:uuid:{UUID(bytes=digest[:16], version=5)}"


def kind_of(resource: _Resource) -> str:
    """Which resource of an answer this is; empty where it is none of one."""
    return _named(resource)[1]


def _named(resource: _Resource) -> tuple[str, str]:
    """Identity and kind, from the identifier, or the tag of a Provenance; a Device belongs to no one answer."""
    meta = resource.get("meta")
    tags = meta.get("tag") if isinstance(meta, dict) else None
    identifiers = resource.get("identifier")
    for one in [*_list(identifiers), *_list(tags)]:
        value = one.get("value", one.get("code", ""))
        if one.get("system") == RESULT_SYSTEM and isinstance(value, str):
            identity, _, kind = value.partition(":")
            return identity, kind
        if one.get("system") == SOFTWARE_SYSTEM and resource.get("resourceType") == "Device":
            return "", "device"
    return "", ""


def labels_of(resource: _Resource) -> list[str]:
    """Labels that are not ours, as `meta.security: system|code`."""
    found = []
    meta = resource.get("meta")
    for name in _LABELS:
        labels = meta.get(name) if isinstance(meta, dict) else None
        for one in labels if isinstance(labels, list) else []:
            if not _is_ours(one) and not _is_mark(one):
                told = f"{one.get('system', '')}|{one.get('code', '')}" if isinstance(one, dict) else str(one)
                found.append(f"meta.{name}: {told}")
    return found


def _is_ours(label: object) -> bool:
    return isinstance(label, dict) and label.get("system") == RESULT_SYSTEM


def _is_mark(label: object) -> bool:
    return isinstance(label, dict) and label.get("system") == SUPERSEDED_SYSTEM


def _contained(guidance: tuple[str, _Resource] | None) -> list[tuple[str, _Resource]]:
    if guidance is None:
        return []
    return [("", one) for one in _list(guidance[1].get("contained")) if _is_outcome(one)]


def _is_outcome(contained: object) -> bool:
    if not isinstance(contained, dict):
        return False
    return contained.get("resourceType") == "OperationOutcome" and contained.get("id") == _OUTCOME


def _plain(resource: _Resource, places: Mapping[str, str]) -> dict[str, object]:
    plain: dict[str, object] = {}
    for name, value in resource.items():
        if name == "id":
            continue
        if name == "status" and value == "final":
            value = "preliminary"
        elif name == "meta":
            value = _own_meta(value)
        elif name == "contained" and resource.get("resourceType") == "GuidanceResponse" and isinstance(value, list):
            value = [one for one in value if not _is_outcome(one)]
        elif name == "signature" and resource.get("resourceType") == "Provenance" and isinstance(value, list):
            value = [_without(one, {"data"}) for one in value]
        elif name == "issue" and "id" not in resource and isinstance(value, list):
            # What was stored has an id, and no such issue.
            value = [one for one in value if not is_write_issue(one)]
        if value not in ({}, []):
            plain[name] = _referred(value, places)
    return plain


def _own_meta(meta: object) -> object:
    """Meta without what a record sets, and without labels that others gave."""
    own = _without(meta, _OF_THE_RECORD)
    if not isinstance(own, dict):
        return own
    kept: dict[str, object] = {}
    for name, value in own.items():
        if name in _LABELS and isinstance(value, list):
            value = [one for one in value if _is_ours(one)]
            if not value:
                continue
        kept[name] = value
    return kept


def _without(value: object, names: Collection[str]) -> object:
    if not isinstance(value, dict):
        return value
    return {name: one for name, one in value.items() if name not in names}


def _referred(value: object, places: Mapping[str, str]) -> object:
    if isinstance(value, list):
        return [_referred(one, places) if isinstance(one, (dict, list)) else one for one in value]
    if not isinstance(value, dict):
        return value
    reference, identifier = value.get("reference"), value.get("identifier")
    if isinstance(reference, str):
        return {**value, "reference": places.get(reference, reference)}
    if value.keys() == {"identifier"} and _is_address(identifier):
        return {"reference": cast("_Resource", identifier)["value"]}
    return {name: _referred(one, places) if isinstance(one, (dict, list)) else one for name, one in value.items()}


def _is_address(identifier: object) -> bool:
    is_plain = isinstance(identifier, dict) and identifier.keys() == {"system", "value"}
    return is_plain and cast("_Resource", identifier)["system"] == URI_SYSTEM


def _list(value: object) -> list[_Resource]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []
