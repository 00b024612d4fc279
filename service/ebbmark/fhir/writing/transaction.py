"""An answer as one transaction for a record; what the record does not take is carried inside other resources.

The transaction is idempotent: all its entries are conditional creates (FHIR R4 http.html#ccreate). Each is found again
by the identifier made from the identity, together with the patient, so that no result of one patient can ever stand in
for another's; the Device by the identifier of the software version, one per record; a Provenance by its tag, since R4
gives it no identifier (`_tag` is searchable on every resource type).

The OperationOutcome cannot be stored (R4 has no such end point): it moves into the GuidanceResponse.

Resources that a record does not take are put, as a Bundle, into an attachment: of a DocumentReference that is contained
in a result and referred to by an element of that result which R4 allows to name one, or of the report itself. What
belongs to the answer is carried by its closing pressure, by which the answer is found again; the Provenance over a
report by that report. A report that is not taken is left out, since its page can be made again at any time.

References keep their full URLs, which follow from the identity: those to a withheld resource become logical references,
as does every address that the record cannot follow, and `normal_form` reads both. A link of the Bundle names each
resource that stands in the record beside it.

Source: FHIR R4 references.html#contained, documentreference.html, and the reference types of each carrying element.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from hashlib import sha1
from typing import cast
from urllib.parse import quote
from uuid import NAMESPACE_URL, uuid5

import msgspec

from ebbmark.fhir.naming import (
    BASE,
    PROVENANCE,
    REPORT,
    REPORT_PROVENANCE,
    RESULT_SYSTEM,
    URI_SYSTEM,
    WRITTEN_TYPES,
    AcceptedWrites,
)
from ebbmark.fhir.writing.normal_form import kind_of

Json = dict[str, object]

EMBEDDED_SYSTEM = f"{BASE}/sid/carried"
"""System of an identifier of what carries parts of an answer; the value is the identity of the answer."""

_CLOSING = "closing-pressure"
_FIRST = (_CLOSING, "suggested-peep", REPORT, "guidance", PROVENANCE, REPORT_PROVENANCE, "device")
_NAMED_BY = {
    "Observation": "derivedFrom",
    "GuidanceResponse": "reasonReference",
    "DetectedIssue": "implicated",
    "CarePlan": "supportingInfo",
    "RequestGroup": "reasonReference",
    "DeviceRequest": "supportingInfo",
}
_ID, _TYPE, _MEDIA = "carried", "DocumentReference", "application/fhir+json"
_TITLE = "Parts of this answer that the record does not take as resources of their own"
_ENCODER = msgspec.json.Encoder(decimal_format="number")
_EXACT = msgspec.json.Decoder(dict[str, object], float_hook=Decimal)


def as_transaction(
    bundle: Mapping[str, object], patient_reference: str, *, device_reference: str | None = None
) -> Json:
    """The same resources as a Bundle of type transaction.

    References into the request that the record cannot resolve (`urn:uuid:` of the caller's own Bundle) become logical
    references that keep the same name.

    Args:
        device_reference: this software's Device in the record where the site keeps one; else it is created once.
    """
    entries = cast("list[Json]", bundle["entry"])
    outcome = next(entry for entry in entries if _type(entry) == "OperationOutcome")
    device = next(entry for entry in entries if _type(entry) == "Device")
    replaced: dict[str, Json] = {str(outcome["fullUrl"]): {"reference": "#outcome"}}
    kept = [entry for entry in entries if entry is not outcome]
    if device_reference is not None:
        replaced[str(device["fullUrl"])] = {"reference": device_reference}
        kept.remove(device)
    known = {str(entry["fullUrl"]) for entry in kept}

    def followed(reference: str) -> Json | None:
        if reference.startswith("urn:") and reference not in known and reference not in replaced:
            return _logical(reference)
        return dict(replaced[reference]) if reference in replaced else None

    written = []
    for entry in kept:
        resource = cast("Json", _with_references(entry["resource"], followed))
        for name in ("subject", "patient"):
            if name in resource:
                resource[name] = {"reference": patient_reference}
        if resource["resourceType"] == "GuidanceResponse":
            resource["contained"] = [{**cast("Json", outcome["resource"]), "id": "outcome"}]
        written.append(
            {"fullUrl": entry["fullUrl"], "resource": resource, "request": _request(resource, patient_reference)}
        )
    return {"resourceType": "Bundle", "type": "transaction", "entry": written}


@dataclass(frozen=True, slots=True)
class Embedded:
    """What one resource carries, and type and identifier (`system|value`) of what was written beside it."""

    entries: tuple[tuple[str, Json], ...] = ()
    beside: tuple[tuple[str, str], ...] = ()


def with_embedded(transaction: Mapping[str, object], accepts: AcceptedWrites) -> Json:
    """The transaction as this record takes it; without an entry where nothing can carry the rest."""
    entries = cast("list[Json]", transaction["entry"])
    kept = sorted((entry for entry in entries if _type(entry) in accepts.types), key=_rank)[: accepts.most_creates]
    if len(kept) == len(entries):
        return dict(transaction)
    main = next((one for one in kept if _type(one) in _NAMED_BY), None)
    if main is None:
        return {**transaction, "entry": []}
    report = next((one for one in kept if _kind(one) == REPORT), None)
    dropped = {REPORT, REPORT_PROVENANCE} if report is None else set()
    withheld = [entry for entry in entries if entry not in kept and _kind(entry) not in dropped]
    kept = [entry for entry in entries if entry in kept and _kind(entry) not in dropped]
    names = {str(entry["fullUrl"]) for entry in entries if entry not in kept}
    beside = [_link(one) for one in kept if _type(one) != "Provenance"]
    written = []
    for entry in kept:
        resource = cast("Json", referred_by_name(entry["resource"], names))
        own = [one for one in withheld if (report if _kind(one) == REPORT_PROVENANCE else main) is entry]
        pairs = [(str(one["fullUrl"]), cast("Json", one["resource"])) for one in own]
        links = [one for one in beside if entry is main and one != _link(entry)]
        written.append({**entry, "resource": with_more_embedded(resource, pairs, links) if pairs else resource})
    return {**transaction, "entry": written}


def with_more_embedded(
    resource: Mapping[str, object], entries: Sequence[tuple[str, Json]], links: Sequence[Json] = ()
) -> Json:
    """The resource, carrying these besides what it carries already; an empty full URL is made of the tag."""
    before = _bundle_in(resource) or {"link": [], "entry": []}
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "link": [*cast("list[Json]", before.get("link", [])), *links],
        "entry": [
            *cast("list[Json]", before["entry"]),
            *[
                {"fullUrl": url or f"urn:uuid:{uuid5(NAMESPACE_URL, '|'.join(_name_of(one)))}", "resource": one}
                for url, one in entries
            ],
        ],
    }
    if not bundle["link"]:
        del bundle["link"]
    data = _ENCODER.encode(bundle)
    attachment: Json = {
        "contentType": _MEDIA,
        "data": b64encode(data).decode(),
        "size": len(data),
        "hash": b64encode(sha1(data, usedforsecurity=False).digest()).decode(),
        "title": _TITLE,
    }
    bare = _without_embedded(resource)
    if bare["resourceType"] == "DiagnosticReport":
        return {**bare, "presentedForm": [*_list(bare, "presentedForm"), attachment]}
    identity = next(
        str(one["value"]).partition(":")[0] for one in _list(bare, "identifier") if one.get("system") == RESULT_SYSTEM
    )
    document: Json = {
        "resourceType": _TYPE,
        "id": _ID,
        "status": "current",
        "type": {"text": _TITLE},
        "content": [{"attachment": attachment}],
    }
    element = _NAMED_BY[str(bare["resourceType"])]
    return {
        **bare,
        "contained": [*_list(bare, "contained"), document],
        "identifier": [*_list(bare, "identifier"), {"system": EMBEDDED_SYSTEM, "value": identity}],
        element: [*_list(bare, element), {"reference": f"#{_ID}"}],
    }


def embedded_in(resource: Mapping[str, object]) -> Embedded:
    """What a stored resource carries; nothing where it carries nothing that can be read."""
    bundle = _bundle_in(resource, exact=False)
    if bundle is None:
        return Embedded()
    entries = tuple((str(one.get("fullUrl", "")), cast("Json", one["resource"])) for one in _list(bundle, "entry"))
    links = [str(one.get("url", "")).partition("?identifier=") for one in _list(bundle, "link")]
    return Embedded(entries, tuple((kind, token) for kind, _, token in links if token))


def unpacked(resources: Iterable[tuple[str, Mapping[str, object]]]) -> list[tuple[str, Mapping[str, object]]]:
    """An answer as it was before parts of it were carried inside others."""
    listed: list[tuple[str, Mapping[str, object]]] = []
    for full_url, resource in resources:
        carried = embedded_in(resource)
        listed.append((full_url, _without_embedded(resource) if carried.entries else resource))
        listed += carried.entries
    return listed


def _without_embedded(resource: Mapping[str, object]) -> Json:
    """The resource without what it carries; as it is where that cannot be read, so that it counts as a difference."""
    bare = dict(resource)
    if _bundle_in(resource) is None:
        return bare
    kept = {
        "contained": [one for one in _list(bare, "contained") if not _is_document(one)],
        "identifier": [one for one in _list(bare, "identifier") if one.get("system") != EMBEDDED_SYSTEM],
        "presentedForm": [one for one in _list(bare, "presentedForm") if not _is_attachment(one)],
    }
    element = _NAMED_BY.get(str(bare.get("resourceType")))
    if element is not None:
        kept[element] = [one for one in _list(bare, element) if one.get("reference") != f"#{_ID}"]
    for name, value in kept.items():
        if value:
            bare[name] = value
        else:
            bare.pop(name, None)
    return bare


def _bundle_in(resource: Mapping[str, object], *, exact: bool = True) -> Json | None:
    if resource.get("resourceType") == "DiagnosticReport":
        found = [one for one in _list(resource, "presentedForm") if _is_attachment(one)]
    else:
        documents = [one for one in _list(resource, "contained") if _is_document(one)]
        found = [cast("Json", one.get("attachment", {})) for each in documents for one in _list(each, "content")]
    if len(found) != 1:
        return None
    try:
        text = b64decode(str(found[0].get("data", "")), validate=True)
        bundle = _EXACT.decode(text) if exact else msgspec.json.decode(text, type=dict[str, object])
    except (ValueError, RecursionError):  # of base64, UTF-8 and JSON
        return None
    entries = bundle.get("entry")
    if not isinstance(entries, list) or not all(
        isinstance(entry, dict) and isinstance(entry.get("resource"), dict) for entry in entries
    ):
        return None
    return bundle


def _is_document(contained: Json) -> bool:
    return contained.get("resourceType") == _TYPE and contained.get("id") == _ID


def _is_attachment(form: Json) -> bool:
    return form.get("contentType") == _MEDIA and form.get("title") == _TITLE


def _list(resource: Mapping[str, object], name: str) -> list[Json]:
    value = resource.get(name)
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _type(entry: Json) -> str:
    return str(cast("Json", entry["resource"])["resourceType"])


def _kind(entry: Json) -> str:
    return kind_of(cast("Json", entry["resource"]))


def _rank(entry: Json) -> int:
    kind = _kind(entry)
    return _FIRST.index(kind) if kind in _FIRST else len(_FIRST)


def _link(entry: Json) -> Json:
    system, value = _name_of(cast("Json", entry["resource"]))
    return {"relation": "related", "url": f"{_type(entry)}?identifier={system}|{value}"}


def _name_of(resource: Json) -> tuple[str, str]:
    """System and value by which it is found again: of its identifier; a Provenance has none, and a tag instead."""
    if resource["resourceType"] == "Provenance":
        tag = cast("list[Json]", cast("Json", resource["meta"])["tag"])[0]
        return str(tag["system"]), str(tag["code"])
    identifier = cast("list[Json]", resource["identifier"])[0]
    return str(identifier["system"]), str(identifier["value"])


_OF_ONE_PATIENT = frozenset(WRITTEN_TYPES) - {"Device", "Provenance", "List"}


def _request(resource: Json, patient_reference: str) -> Json:
    kind, (system, value) = str(resource["resourceType"]), _name_of(resource)
    parameter = "_tag" if kind == "Provenance" else "identifier"
    query = f"{parameter}={quote(system, safe=':/')}|{quote(value, safe=':')}"
    if kind in _OF_ONE_PATIENT:
        query += f"&patient={quote(patient_reference, safe='/:')}"
    return {"method": "POST", "url": kind, "ifNoneExist": query}


def referred_by_name(value: object, names: Collection[str]) -> object:
    """A copy in which every reference to one of these addresses is a logical one, which keeps the address as a name."""
    return _with_references(value, lambda one: _logical(one) if one in names else None)


def _logical(address: str) -> Json:
    """A reference to what a record cannot follow."""
    return {"identifier": {"system": URI_SYSTEM, "value": address}}


def _with_references(value: object, instead: Callable[[str], Json | None]) -> object:
    """A copy with other references, where there is one to put instead."""
    if isinstance(value, list):
        return [_with_references(item, instead) for item in value]
    if not isinstance(value, dict):
        return value
    reference = value.get("reference")
    other = instead(reference) if isinstance(reference, str) else None
    return other or {name: _with_references(item, instead) for name, item in value.items()}
