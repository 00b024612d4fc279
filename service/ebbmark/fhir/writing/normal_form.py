"""How does one answer look, whether it stands in an answer Bundle or was written to a record and read back?

The normal form is what a signature covers and what a replay compares: the resources by kind (`guidance`,
`suggested-peep`, `step-3`, `device`, `provenance`, `outcome` …), each without what a record adds (`id`, `meta`,
narrative) and without the instant of recording and the signature, and with references inside the answer by the full
URLs that follow from the identity. What `transaction` changes for a record is changed back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha1
from uuid import NAMESPACE_URL, UUID

from ebbmark.fhir.references import tail_of
from ebbmark.fhir.writing.frame import RESULT_SYSTEM
from ebbmark.fhir.writing.provenance import SOFTWARE_SYSTEM

__all__ = ["NormalForm", "NotAnAnswer", "full_url_of", "normal_form", "resources_of"]

Json = Mapping[str, object]

_OF_THE_RECORD = frozenset({"id", "meta", "text"})
_OF_THE_MOMENT = frozenset({"recorded", "signature"})
_URI_SYSTEM = "urn:ietf:rfc:3986"


class NotAnAnswer(Exception):
    """The resources are not one answer of this service; the message says why, without any value."""


@dataclass(frozen=True, slots=True)
class NormalForm:
    """One answer.

    Attributes:
        identity: of the answer, as its results say.
        parts: its resources by kind.
    """

    identity: str
    parts: dict[str, dict[str, object]]

    def canonical(self) -> dict[str, object]:
        """The JSON value that is signed."""
        return {"identity": self.identity, "parts": self.parts}


def resources_of(bundle: object) -> list[tuple[str, Json]]:
    """Full URL and resource of each entry.

    Raises:
        NotAnAnswer: it is no Bundle.
    """
    entries = bundle.get("entry") if isinstance(bundle, Mapping) else None
    if not isinstance(entries, list):
        raise NotAnAnswer("there is no Bundle with entries")
    return [
        (str(entry.get("fullUrl", "")), entry["resource"])
        for entry in entries
        if isinstance(entry, Mapping) and isinstance(entry.get("resource"), Mapping)
    ]


def normal_form(resources: Iterable[tuple[str, Json]]) -> NormalForm:
    """Bring an answer into its normal form.

    Args:
        resources: full URL (or empty) and resource of each; those that are not of an answer are passed over.

    Raises:
        NotAnAnswer: no answer, more than one, or one kind twice.
    """
    identities: set[str] = set()
    named: dict[str, tuple[str, Json]] = {}
    outcomes: list[tuple[str, Json]] = []
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
    if outcomes:
        named["outcome"] = outcomes[0]
    places = {"#outcome": full_url_of(identity, "outcome")}
    for kind, (full_url, resource) in named.items():
        own = full_url_of(identity, kind)
        if resource.get("id"):
            places[f"{resource.get('resourceType')}/{resource['id']}"] = own
        if full_url:
            places[full_url] = own
    return NormalForm(identity, {kind: _plain(resource, places) for kind, (_, resource) in sorted(named.items())})


def full_url_of(identity: str, kind: str) -> str:
    """As `Frame.full_url` makes it."""
    name = f"{RESULT_SYSTEM}|{identity}:{kind}".encode()
    digest = sha1(NAMESPACE_URL.bytes + name, usedforsecurity=False).digest()
    return f"urn:uuid:{UUID(bytes=digest[:16], version=5)}"


def _named(resource: Json) -> tuple[str, str]:
    """Identity and kind, from the identifier, or the tag of a Provenance; a Device belongs to no one answer."""
    meta = resource.get("meta")
    tags = meta.get("tag") if isinstance(meta, Mapping) else None
    identifiers = resource.get("identifier")
    for one in [*_list(identifiers), *_list(tags)]:
        value = one.get("value", one.get("code", ""))
        if one.get("system") == RESULT_SYSTEM and isinstance(value, str):
            identity, _, kind = value.partition(":")
            return identity, kind
        if one.get("system") == SOFTWARE_SYSTEM and resource.get("resourceType") == "Device":
            return "", "device"
    return "", ""


def _contained(guidance: tuple[str, Json] | None) -> list[tuple[str, Json]]:
    if guidance is None:
        return []
    return [("", one) for one in _list(guidance[1].get("contained")) if one.get("resourceType") == "OperationOutcome"]


def _plain(resource: Json, places: Mapping[str, str]) -> dict[str, object]:
    left_out = set(_OF_THE_RECORD)
    if resource.get("resourceType") == "Provenance":
        left_out |= _OF_THE_MOMENT
    if resource.get("resourceType") == "GuidanceResponse":
        left_out.add("contained")
    return {name: _referred(value, places) for name, value in resource.items() if name not in left_out}


def _referred(value: object, places: Mapping[str, str]) -> object:
    if isinstance(value, list):
        return [_referred(one, places) for one in value]
    if not isinstance(value, Mapping):
        return value
    reference, identifier = value.get("reference"), value.get("identifier")
    if isinstance(reference, str):
        known = places.get(reference) or (None if "/_history/" in reference else places.get(tail_of(reference)))
        return {**value, "reference": known or reference}
    if isinstance(identifier, Mapping) and identifier.get("system") == _URI_SYSTEM:
        return {"reference": identifier.get("value")}
    return {name: _referred(one, places) for name, one in value.items()}


def _list(value: object) -> list[Json]:
    return [one for one in value if isinstance(one, Mapping)] if isinstance(value, list) else []
