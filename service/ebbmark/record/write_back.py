"""Put a recommendation into the record: one transaction, safe to repeat, and an honest account of what happened.

Source: FHIR R4 http.html#transaction and #ccreate.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

import msgspec

from ebbmark.record.client import RecordClient
from ebbmark.record.one_device import with_one_device
from ebbmark.record.outcome import WriteOutcome, WriteState, not_a_transaction, outcome_of
from ebbmark.record.retrying import Now, Seen, Sleep, Trouble, repeat
from ebbmark.record.transaction_reply import (
    Attempt,
    EntryResult,
    attempt_of,
    entry_requests,
    is_repeat_safe,
    seen_in,
)

__all__ = ["EntryResult", "WriteOutcome", "WriteState", "write_back"]

_CONFLICT, _PRECONDITION_FAILED = 409, 412
Json = dict[str, object]
_HEADERS = {"Content-Type": "application/fhir+json; fhirVersion=4.0", "Prefer": "return=minimal"}
# FHIR decimals are JSON numbers; msgspec would make strings of them.
_ENCODER = msgspec.json.Encoder(decimal_format="number")


async def write_back(
    transaction: Mapping[str, object] | bytes,
    *,
    record: RecordClient,
    sleep: Sleep,
    now: Now,
    repeat_conflicts: bool = True,
) -> WriteOutcome:
    """Post a transaction Bundle to the record and say what became of it.

    The same bytes go out at each attempt; only where the record refuses them with 412 and holds our Device more than
    once, they name one of those instead (`one_device`). A reply that is lost, or that proves nothing, is asked for
    again within the client's limits where the transaction is safe to repeat (each entry a conditional create, a PUT, a
    DELETE or a read).

    Args:
        transaction: FHIR R4 JSON, checked by the caller; a Bundle of type transaction.
        record: the client; its base URL is where the transaction goes.
        sleep: waits for so many seconds between attempts.
        now: current time with zone, for a Retry-After that is a date.
        repeat_conflicts: whether a 409 that names a conflict is answered by the same bytes again; not where the
            transaction names versions, which only a fresh look can put right.

    Returns:
        The outcome. No failure of the record or of the network raises.
    """
    body = transaction if isinstance(transaction, bytes) else _ENCODER.encode(transaction)
    outcome = await _posted(body, record=record, sleep=sleep, now=now, repeat_conflicts=repeat_conflicts)
    if outcome.state is not WriteState.FAILED or outcome.http_status != _PRECONDITION_FAILED:
        return outcome
    bundle = msgspec.json.decode(body, type=dict[str, object])
    entries = cast("list[Json]", bundle["entry"])
    with_theirs = await with_one_device(entries, record)
    if with_theirs == tuple(entries):
        return outcome
    body = _ENCODER.encode({**bundle, "entry": with_theirs})
    return await _posted(body, record=record, sleep=sleep, now=now, repeat_conflicts=repeat_conflicts)


async def _posted(body: bytes, *, record: RecordClient, sleep: Sleep, now: Now, repeat_conflicts: bool) -> WriteOutcome:
    requests = entry_requests(body)
    if not requests:
        return not_a_transaction()

    async def attempt() -> Attempt:
        return attempt_of(await record.send("POST", content=body, headers=_HEADERS), requests)

    repeated = await repeat(
        attempt,
        seen_in if repeat_conflicts else _seen_once,
        limits=record.settings.limits,
        repeat_safe=is_repeat_safe(requests),
        sleep=sleep,
        now=now,
    )
    return outcome_of(repeated, requests)


def _seen_once(attempt: Attempt) -> Seen:
    seen = seen_in(attempt)
    return Seen(_CONFLICT, seen.retry_after) if seen.what is Trouble.LOST_RACE else seen
