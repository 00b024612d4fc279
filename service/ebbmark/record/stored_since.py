"""Was anything stored about this patient since a moment? One cheap question, so that not every look reads it all.

Only a plain "none" counts as none: a record that ignores the parameter counts everything it holds, one that gives no
total or an error has not answered. Source: FHIR R4 search.html, `_lastUpdated`, `_summary=count`, Bundle.total.
"""

from __future__ import annotations

from typing import Final
from urllib.parse import urlencode

from ebbmark.fhir.writing.instants import instant
from ebbmark.record.client import RecordClient, Reply, decoded
from ebbmark.record.searching import FRESH, Page

__all__ = ["OVERLAP_S", "nothing_stored_since"]

OVERLAP_S: Final = 15.0
"""Asked is of so much before the moment, too [s]: the record's clock may be behind ours, and what is stored becomes
visible later than it is dated. Our choice."""


async def nothing_stored_since(patient: str, since_s: float, *, record: RecordClient) -> bool:
    """Whether the record says that it stored no Observation of this patient since then; asked once, never repeated.

    Args:
        patient: `Patient/1`.
        since_s: the moment [s since 1970-01-01T00:00:00Z].
        record: the client.
    """
    since = instant(since_s - OVERLAP_S)
    query = urlencode([("patient", patient), ("_lastUpdated", f"gt{since}"), ("_summary", "count")])
    answer = await record.send("GET", f"Observation?{query}", headers=FRESH)
    if not isinstance(answer, Reply) or answer.status != 200:
        return False
    page = decoded(answer, Page)
    # With an entry it is no plain count: it may be a warning that the parameter was passed over.
    return page is not None and page.type == "searchset" and page.total == 0 and not page.entry
