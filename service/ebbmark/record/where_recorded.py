"""Is an answer in the record already, and where? Found by its Provenance, which alone names the answer for good."""

from __future__ import annotations

from ebbmark.fhir.writing.frame import RESULT_SYSTEM
from ebbmark.record.client import RecordClient
from ebbmark.record.reading import Waiting
from ebbmark.record.searching import Budget, Found, search

__all__ = ["where_recorded"]


async def where_recorded(identity: str, *, record: RecordClient, waiting: Waiting) -> str | None:
    """Reference to the Provenance of an answer, in its version.

    Args:
        identity: of the answer, 64 hexadecimal digits.
        record: the client.
        waiting: how time passes between attempts.

    Returns:
        `Provenance/7/_history/1`; empty where the answer is not there; None where the record does not say.
    """
    tag = f"{identity}:provenance"
    query = [("_tag", f"{RESULT_SYSTEM}|{tag}")]
    found = await search(record, "Provenance", query, budget=Budget(requests=2), waiting=waiting)
    if not isinstance(found, Found):
        return None
    # Some records ignore search parameters: what came back is looked at again.
    own = [one.head for one in found.entries if one.head.resource_type == "Provenance" and tag.encode() in one.resource]
    if not own:
        return ""
    version = f"/_history/{own[0].meta.version_id}" if own[0].meta.version_id else ""
    return f"Provenance/{own[0].id}{version}"
