"""Validation of a Bundle before it leaves for a record: the published models, and what those models let pass.

The models of fhir.resources check structure: elements, cardinality, types. They accept a status that does not exist, a
value beside its reason for absence (obs-6), a unit code without system (qty-3), empty elements and any unit; these are
checked here, together with the references inside the Bundle. Structure has no rule for terminology: only the units
that this software writes are let through.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Iterator, Mapping, Sequence
from hashlib import sha1
from typing import cast

from ebbmark.fhir.answer import UNITS

# FHIR R4 value sets with a required binding; DetectedIssue takes the codes of Observation in R4.
_OBSERVATION_STATUS = frozenset(
    {"registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown"}
)
_REQUEST_STATUS = frozenset({"draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown"})
_STATUS: dict[str, frozenset[str]] = {
    "Observation": _OBSERVATION_STATUS,
    "DetectedIssue": _OBSERVATION_STATUS,
    "DiagnosticReport": frozenset({*_OBSERVATION_STATUS, "partial", "appended"}),
    "GuidanceResponse": frozenset(
        {"success", "data-requested", "data-required", "in-progress", "failure", "entered-in-error"}
    ),
    **dict.fromkeys(("CarePlan", "RequestGroup", "DeviceRequest"), _REQUEST_STATUS),
    "Device": frozenset({"active", "inactive", "entered-in-error", "unknown"}),
}
_SEVERITY = frozenset({"high", "moderate", "low"})
_CODED = {
    "OperationOutcome": (("issue", "severity", frozenset({"fatal", "error", "warning", "information"})),),
    "Provenance": (("entity", "role", frozenset({"derivation", "revision", "quotation", "source", "removal"})),),
}
_BUNDLE_TYPE = frozenset({"collection", "transaction"})
_UCUM = "http://unitsofmeasure.org"
_UNIT_CODES = frozenset(unit.code for unit in UNITS.values())
# The caller's own full URLs may stand here in a collection; a record cannot follow them.
_OF_THE_CALLER = frozenset({"derivedFrom", "what", "subject", "patient", "encounter", "implicated", "supportingInfo"})

Json = Mapping[str, object]


def validate(bundle: dict[str, object]) -> tuple[str, ...]:
    """Say everything that is wrong with this Bundle.

    Slow (tens of milliseconds): used before each write to a record and in the tests, not for each answer.

    Returns:
        One line per fault, beginning with the element; no values, so that no patient data gets into a log. Empty
        where all is well.
    """
    # The own rules take the structure for granted.
    return tuple(_against_models(bundle)) or tuple(_own_rules(bundle))


def _against_models(bundle: dict[str, object]) -> Iterator[str]:
    # Imported here: it costs most of a second, and most requests never need it.
    from fhir.resources.R4B.bundle import Bundle
    from pydantic import ValidationError

    try:
        Bundle.model_validate(bundle)
    except ValidationError as error:
        for fault in error.errors(include_url=False, include_context=False, include_input=False):
            yield f"{'.'.join(map(str, ('Bundle', *fault['loc'])))}: {fault['type']}"


def _own_rules(bundle: Json) -> Iterator[str]:
    if bundle.get("type") not in _BUNDLE_TYPE:
        yield "Bundle.type: neither collection nor transaction"
    entries = cast("list[Json]", bundle.get("entry", []))
    full_urls = [entry.get("fullUrl") for entry in entries]
    if len(set(full_urls)) != len(full_urls):
        yield "Bundle.entry: a fullUrl occurs twice (bdl-7)"
    is_transaction = bundle.get("type") == "transaction"
    for number, entry in enumerate(entries):
        path = f"Bundle.entry[{number}]"
        if "/_history/" in str(entry.get("fullUrl", "")):
            yield f"{path}.fullUrl: names a version (bdl-8)"
        yield from _request_rules(entry, path, is_transaction)
        resource = cast("Json", entry.get("resource", {}))
        yield from _resource_rules(resource, f"{path}.resource")
        yield from _element_rules(resource, f"{path}.resource")
        contained = {str(inner.get("id")) for inner in cast("list[Json]", resource.get("contained", []))}
        yield from _reference_rules(resource, f"{path}.resource", "", set(full_urls), contained, is_transaction)


def _request_rules(entry: Json, path: str, is_transaction: bool) -> Iterator[str]:
    request = cast("Json | None", entry.get("request"))
    if not is_transaction:
        if request is not None:
            yield f"{path}.request: only in a transaction (bdl-3)"
        return
    if request is None:
        yield f"{path}.request: missing (bdl-3)"
    elif request.get("method") != "POST" or "=" not in str(request.get("ifNoneExist", "")):
        yield f"{path}.request: not a conditional create, so not safe to repeat"
    if cast("Json", entry.get("resource", {})).get("resourceType") == "OperationOutcome":
        yield f"{path}.resource: an OperationOutcome cannot be stored"


def _resource_rules(resource: Json, path: str) -> Iterator[str]:
    kind = str(resource.get("resourceType"))
    if kind in _STATUS and resource.get("status") not in _STATUS[kind]:
        yield f"{path}.status: not in the value set of {kind}"
    if kind == "Observation":
        yield from _observation_rules(resource, path)
    if kind == "DetectedIssue" and resource.get("severity", "high") not in _SEVERITY:
        yield f"{path}.severity: not in the value set"
    for name, element, allowed in _CODED.get(kind, ()):
        for number, one in enumerate(cast("list[Json]", resource.get(name, []))):
            if one.get(element) not in allowed:
                yield f"{path}.{name}[{number}].{element}: not in the value set"


def _observation_rules(observation: Json, path: str) -> Iterator[str]:
    if _has_value(observation) and "dataAbsentReason" in observation:
        yield f"{path}.dataAbsentReason: beside a value (obs-6)"
    components = cast("list[Json]", observation.get("component", []))
    if _has_value(observation) and any(part.get("code") == observation.get("code") for part in components):
        yield f"{path}.component: the code of the Observation itself (obs-7)"
    for number, part in enumerate(components):
        if _has_value(part) and "dataAbsentReason" in part:
            yield f"{path}.component[{number}].dataAbsentReason: beside a value"


def _has_value(element: Json) -> bool:
    return any(name.startswith("value") for name in element)


def _element_rules(element: object, path: str) -> Iterator[str]:
    """No empty element anywhere; a Quantity has a system beside its code, and a unit that we write."""
    if element in ("", [], {}) or element is None:
        yield f"{path}: empty"
    elif isinstance(element, list):
        for number, item in enumerate(element):
            yield from _element_rules(item, f"{path}[{number}]")
    elif isinstance(element, dict):
        for name, item in element.items():
            yield from _element_rules(item, f"{path}.{name}")
            if name.endswith("Quantity"):
                yield from _quantity_rules(item, f"{path}.{name}")
            if name == "presentedForm":
                yield from _form_rules(item, f"{path}.{name}")


def _form_rules(forms: Sequence[Json], path: str) -> Iterator[str]:
    """Size and SHA-1 of an Attachment are those of its data."""
    for number, form in enumerate(forms):
        data = b64decode(str(form.get("data", "")))
        if form.get("size") != len(data):
            yield f"{path}[{number}].size: not that of the data"
        if form.get("hash") != b64encode(sha1(data, usedforsecurity=False).digest()).decode():
            yield f"{path}[{number}].hash: not the SHA-1 of the data"


def _quantity_rules(quantity: Json, path: str) -> Iterator[str]:
    if "value" not in quantity:
        yield f"{path}.value: missing"
    if "code" in quantity and "system" not in quantity:
        yield f"{path}.system: missing beside a code (qty-3)"
    if quantity.get("system") != _UCUM or quantity.get("code") not in _UNIT_CODES:
        yield f"{path}.code: not one of the UCUM units written here"


def _reference_rules(
    element: object, path: str, name: str, full_urls: set[object], contained: set[str], is_transaction: bool
) -> Iterator[str]:
    """Every reference into the Bundle, or into the resource itself, leads somewhere."""
    if isinstance(element, list):
        for number, item in enumerate(element):
            yield from _reference_rules(item, f"{path}[{number}]", name, full_urls, contained, is_transaction)
    elif isinstance(element, dict):
        reference = element.get("reference")
        if isinstance(reference, str):
            strict = is_transaction or name not in _OF_THE_CALLER
            if reference.startswith("#") and reference[1:] not in contained:
                yield f"{path}.reference: no such contained resource (ref-1)"
            elif reference.startswith("urn:") and reference not in full_urls and strict:
                yield f"{path}.reference: leads nowhere in this Bundle"
        for inner, item in element.items():
            yield from _reference_rules(item, f"{path}.{inner}", inner, full_urls, contained, is_transaction)
