"""Which entries mark an answer superseded, or make one current again? Each names the version that was seen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ebbmark.fhir.writing.superseding import Change, restoration, restored, superseded, superseded_by, supersession
from ebbmark.record.earlier import Earlier
from ebbmark.record.sent import Sent
from ebbmark.record.stored import Stored

__all__ = ["current_again", "marks"]

Json = dict[str, object]

_GONE = frozenset({"cancelled", "entered-in-error"})


def marks(old: Earlier, by: str, answer: Sent, base_url: str) -> list[Json]:
    """Entries that mark every result of an answer, and say so in a Provenance of its own.

    Args:
        old: the answer that no longer stands.
        by: identity of the one that takes its place.
        answer: the one that is being written.
        base_url: of the record.
    """
    standing = [one for one in old.results if one.status not in _GONE and not superseded_by(one.resource)]
    told = supersession(_references(standing), old=old.identity, new=by, change=_change(old, answer))
    return [*[_put(one, superseded(one.resource, by), base_url) for one in standing], _create(*told)]


def current_again(own: Earlier, answer: Sent, base_url: str) -> list[Json]:
    """Entries that take the marks off every result of an answer, and say so in a Provenance of its own.

    Args:
        own: the answer as it stands in the record.
        answer: the same as it is being written.
        base_url: of the record.
    """
    marked = [one for one in own.results if superseded_by(one.resource)]
    told = restoration(_references(marked), identity=own.identity, change=_change(own, answer))
    return [*[_put(one, restored(one.resource), base_url) for one in marked], _create(*told)]


def _references(results: Sequence[Stored]) -> list[str]:
    return [one.reference for one in results]


def _change(of: Earlier, answer: Sent) -> Change:
    return Change(answer.engine_version, answer.recorded, answer.enterer, of.closing.version)


def _put(one: Stored, resource: Mapping[str, object], base_url: str) -> Json:
    return {
        "fullUrl": f"{base_url.rstrip('/')}/{one.reference}",
        "resource": resource,
        "request": {"method": "PUT", "url": one.reference, "ifMatch": f'W/"{one.version}"'},
    }


def _create(provenance: Json, tag: tuple[str, str]) -> Json:
    system, code = tag
    request: Json = {"method": "POST", "url": "Provenance", "ifNoneExist": f"_tag={system}|{code}"}
    return {"resource": provenance, "request": request}
