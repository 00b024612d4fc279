"""How does the answer say what became of its write-back?"""

from __future__ import annotations

from typing import cast

__all__ = ["with_write_issue"]

Json = dict[str, object]


def with_write_issue(bundle: Json, *, severity: str, code: str, sentence: str) -> Json:
    """The same answer, its OperationOutcome led by an issue about the write-back.

    Args:
        bundle: what `write_bundle` made; left as it is.
        severity: information or error.
        code: FHIR issue type.
        sentence: what happened.
    """
    issue = {"severity": severity, "code": code, "details": {"text": sentence}}
    entries = []
    for entry in cast("list[Json]", bundle["entry"]):
        resource = cast("Json", entry["resource"])
        if resource["resourceType"] == "OperationOutcome":
            issues = cast("list[Json]", resource["issue"])
            entries.append({**entry, "resource": {**resource, "issue": [issue, *issues]}})
        else:
            entries.append(entry)
    return {**bundle, "entry": entries}
