"""The normal form of an answer: the same whether it stands in a Bundle or was written to a record and read back.

The normal form is what a signature covers and what a replay compares: the resources by kind (`guidance`,
`suggested-peep`, `step-3`, `device`, `provenance`, `outcome` …), with references inside the answer by the full URLs
that follow from the identity. What `write` changes for a record is changed back.

What is left out, since it is not the answer's (FHIR R4 resource.html#meta):

* `id`, `meta.versionId`, `meta.lastUpdated`, `meta.source`: a record sets them.
* `meta.profile`, `meta.security`, and tags that are not ours: labels for access and workflow, which R4 lets change
  without a new version (`$meta-add`). A replay names each that is there.
* what the answer, as it was returned, says of its write-back: it is about the delivery, and its code tells it apart.
* that a clinician has signed a result (`status` final in place of preliminary), and nothing else of it changed.
* the value of a signature (`Provenance.signature.data`), which covers the rest.

Everything else counts, narrative (`text`) and extensions among it. Answers are written with one narrative, the lines
of the GuidanceResponse, since each would be one more thing that must agree with the numbers; so one on another
resource was put in by somebody, and people read it first. R4 lets a record make a narrative where none came, too. What
such a one says cannot be told from what a tamperer would say, so it counts as a difference all the same.
The mark of a superseded result is taken off again (`supersession`).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha1
from typing import cast
from uuid import NAMESPACE_URL, UUID

from ebbmark.fhir.naming import CODE_SYSTEM, RESULT_SYSTEM, SOFTWARE_SYSTEM, URI_SYSTEM
from ebbmark.fhir.writing.supersession import SUPERSEDED_SYSTEM

Json = dict[str, object]
_Resource = Mapping[str, object]

_OF_THE_RECORD = frozenset({"versionId", "lastUpdated", "source"})
_LABELS = ("profile", "security", "tag")
_OUTCOME = "outcome"


class NotAnAnswer(Exception):
    """The resources are not one answer of this service; the message says why, without any value."""


@dataclass(frozen=True, slots=True)
class NormalForm:
    """One answer: its identity, and its resources by kind."""

    identity: str
    parts: dict[str, dict[str, object]]

    def canonical(self) -> dict[str, object]:
        """The JSON value that is signed."""
        return {"identity": self.identity, "parts": self.parts}


def resources_of(bundle: object) -> list[tuple[str, _Resource]]:
    """Full URL and resource of each entry."""
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
    if "guidance" in named:
        outcomes += [("", one) for one in _list(named["guidance"][1].get("contained")) if _is_outcome(one)]
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
            if not (isinstance(one, dict) and one.get("system") in (RESULT_SYSTEM, SUPERSEDED_SYSTEM)):
                told = f"{one.get('system', '')}|{one.get('code', '')}" if isinstance(one, dict) else str(one)
                found.append(f"meta.{name}: {told}")
    return found


def _is_ours(label: object) -> bool:
    return isinstance(label, dict) and label.get("system") == RESULT_SYSTEM


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


_CODING = {"system": CODE_SYSTEM, "code": "write-back", "display": "What became of the write-back"}


def with_write_issue(bundle: Json, *, severity: str, code: str, sentence: str) -> Json:
    """The same answer, its OperationOutcome led by an issue about the write-back (severity information or error)."""
    issue = {"severity": severity, "code": code, "details": {"coding": [_CODING], "text": sentence}}
    entries = []
    for entry in cast("list[Json]", bundle["entry"]):
        resource = cast("Json", entry["resource"])
        if resource["resourceType"] == "OperationOutcome":
            issues = cast("list[Json]", resource["issue"])
            entries.append({**entry, "resource": {**resource, "issue": [issue, *issues]}})
        else:
            entries.append(entry)
    return {**bundle, "entry": entries}


def is_write_issue(issue: object) -> bool:
    """Whether this issue of an OperationOutcome is about the write-back."""
    details = issue.get("details") if isinstance(issue, Mapping) else None
    return isinstance(details, Mapping) and details.get("coding") == [_CODING]
