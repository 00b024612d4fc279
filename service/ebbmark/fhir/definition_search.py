"""Search for definitions of this service: FHIR R4 search by id, canonical address, name, version and status.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/search.html (string, token and uri parameters; a comma lists
alternatives) and the search parameters of the conformance resources.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from urllib.parse import urlencode

__all__ = ["SEARCH_PARAMETERS", "matches", "searchset"]

SEARCH_PARAMETERS = {"_id": "token", "url": "uri", "name": "string", "version": "token", "status": "token"}


def matches(resource: Mapping[str, object], name: str, text: str) -> bool:
    """Whether a definition is among those that one search parameter names.

    Args:
        resource: the definition.
        name: of the parameter.
        text: its value; alternatives are parted by commas.
    """
    value = str(resource.get("id" if name == "_id" else name, ""))
    kind = SEARCH_PARAMETERS[name]
    for one in text.split(","):
        if kind == "string" and value.casefold().startswith(one.casefold()):
            return True
        if value == (one.rpartition("|")[2] if kind == "token" else one):
            return True
    return False


def searchset(
    kind: str, found: Sequence[Mapping[str, object]], base_url: str, asked: Sequence[tuple[str, str]]
) -> dict[str, object]:
    """FHIR R4 Bundle of type searchset.

    Args:
        kind: resource type.
        found: the definitions that match.
        base_url: FHIR base address as callers see it.
        asked: the search parameters that were used.
    """
    base = base_url.rstrip("/")
    entries = [
        {"fullUrl": f"{base}/{one['resourceType']}/{one['id']}", "resource": one, "search": {"mode": "match"}}
        for one in found
    ]
    address = f"{base}/{kind}?{urlencode(asked)}" if asked else f"{base}/{kind}"
    return {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": len(found),
        "link": [{"relation": "self", "url": address}],
        **({"entry": entries} if entries else {}),
    }
