"""What became of a write-back, as an issue of the answer.

The issue that says so is about the delivery of the answer and no part of it: its code tells it from the others, so that
a signature holds and a replay passes it over.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

from ebbmark.fhir.naming import CODE_SYSTEM

__all__ = ["is_write_issue", "with_write_issue"]

Json = dict[str, object]

_CODING = {"system": CODE_SYSTEM, "code": "write-back", "display": "What became of the write-back"}


def with_write_issue(bundle: Json, *, severity: str, code: str, sentence: str) -> Json:
    """The same answer, its OperationOutcome led by an issue about the write-back.

    Args:
        bundle: what `write_bundle` made; left as it is.
        severity: information or error.
        code: FHIR issue type.
        sentence: what happened.
    """
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
