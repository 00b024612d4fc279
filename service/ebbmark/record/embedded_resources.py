"""Find answers in the record by their Provenance, or by the result that carries it where the record takes none.

Source: FHIR R4 search.html (_tag, identifier); `fhir.writing.transaction` says what is carried where.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec

from ebbmark.fhir.model import Coding, Identifier
from ebbmark.fhir.naming import PROVENANCE, RESULT_SYSTEM
from ebbmark.fhir.writing.transaction import EMBEDDED_SYSTEM, Embedded
from ebbmark.record.client import RecordClient
from ebbmark.record.search import Budget, Found, FoundEntry, ReadFailure, TooMuch, any_of, search

Json = dict[str, object]

_PORTION = 40


class Meta(msgspec.Struct):
    """FHIR Meta, as far as it tells what a resource is to us."""

    lastUpdated: str = ""
    tag: list[Coding] = []


def failure_of(found: TooMuch | ReadFailure) -> ReadFailure:
    """One kind of failure where too much is one, too."""
    if isinstance(found, ReadFailure):
        return found
    return ReadFailure(f"the record holds {found.sentence}", 200)


async def provenances_in_record(
    tags: Iterable[str], *, record: RecordClient, budget: Budget
) -> Sequence[FoundEntry] | ReadFailure:
    """Search for the Provenances of answers; none where the record keeps none for us.

    Args:
        budget: what may be read; is counted down.
    """
    if "Provenance" not in record.settings.accepts.types:
        return []
    query = [("_tag", any_of([f"{RESULT_SYSTEM}|{tag}" for tag in tags]))]
    found = await search(record, "Provenance", query, budget=budget)
    return found.entries if isinstance(found, Found) else failure_of(found)


async def carriers_in_record(identity: str, *, record: RecordClient, budget: Budget) -> list[FoundEntry] | ReadFailure:
    """Search for what carries parts of an answer.

    Args:
        budget: what may be read; is counted down.
    """
    query = [("identifier", f"{EMBEDDED_SYSTEM}|{identity}")]
    for kind in sorted(record.settings.accepts.types - _NO_CARRIERS, key=lambda one: (one != "Observation", one)):
        found = await search(record, kind, query, budget=budget)
        if not isinstance(found, Found):
            return failure_of(found)
        carriers = [one for one in found.entries if _is_carrier(one, kind, identity)]
        if carriers:
            return carriers
    return []


async def beside_in_record(
    carried: Iterable[Embedded], *, record: RecordClient, budget: Budget
) -> list[FoundEntry] | ReadFailure:
    """Read what was written beside the resources that carry the rest of answers, by its identifiers."""
    wanted: dict[str, list[str]] = {}
    for one in carried:
        for kind, token in one.beside:
            wanted.setdefault(kind, []).append(token)
    entries: list[FoundEntry] = []
    for kind, tokens in sorted(wanted.items()):
        for first in range(0, len(tokens), _PORTION):
            portion = tokens[first : first + _PORTION]
            found = await search(record, kind, [("identifier", any_of(portion))], budget=budget)
            if not isinstance(found, Found):
                return failure_of(found)
            entries += [one for one in found.entries if not _tokens(one).isdisjoint(portion)]
    return entries


_NO_CARRIERS = frozenset({"Device", "Provenance", "List", "DiagnosticReport"})


def _is_carrier(entry: FoundEntry, kind: str, identity: str) -> bool:
    return entry.head.resource_type == kind and f"{EMBEDDED_SYSTEM}|{identity}" in _tokens(entry)


def _tokens(entry: FoundEntry) -> set[str]:
    try:
        return {f"{one.system}|{one.value}" for one in msgspec.json.decode(entry.resource, type=_Named).identifier}
    except msgspec.DecodeError:
        return set()


def names_of(resource: Json) -> list[str]:
    """Values of its identifiers and codes of its tags that are of results of ours."""
    named = msgspec.convert(resource, _Named)
    values = [one.value for one in named.identifier if one.system == RESULT_SYSTEM]
    return [*values, *[one.code for one in named.meta.tag if one.system == RESULT_SYSTEM]]


class _Named(msgspec.Struct):
    meta: Meta = msgspec.field(default_factory=Meta)
    identifier: list[Identifier] = []


async def where_recorded(identity: str, *, record: RecordClient) -> str | None:
    """Reference to the Provenance of an answer, or to what carries it, in its version.

    Args:
        identity: of the answer, 64 hexadecimal digits.

    Returns:
        `Provenance/7/_history/1`; empty where the answer is not there; None where the record does not say.
    """
    tag, budget = f"{identity}:{PROVENANCE}", Budget(requests=10)
    found = await provenances_in_record([tag], record=record, budget=budget)
    if isinstance(found, ReadFailure):
        return None
    # Some records ignore search parameters: what came back is looked at again.
    own = [one.head for one in found if one.head.resource_type == "Provenance" and tag.encode() in one.resource]
    if not own and not record.settings.accepts.everything:
        carriers = await carriers_in_record(identity, record=record, budget=budget)
        if isinstance(carriers, ReadFailure):
            return None
        own = [one.head for one in carriers]
    if not own:
        return ""
    version = f"/_history/{own[0].meta.version_id}" if own[0].meta.version_id else ""
    return f"{own[0].resource_type}/{own[0].id}{version}"
