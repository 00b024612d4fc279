"""An answer as a record gives it back: the record's own ids, versions and references."""

from __future__ import annotations

import json
from typing import Any

from ebbmark.fhir.writing.transaction import as_transaction

Json = dict[str, Any]


def read_back(bundle: Json, patient: str) -> list[tuple[str, Json]]:
    transaction: Json = as_transaction(bundle, patient)
    text = json.dumps(transaction)
    for number, entry in enumerate(transaction["entry"]):
        text = text.replace(entry["fullUrl"], f"{entry['resource']['resourceType']}/{number + 100}")
    stored: list[tuple[str, Json]] = []
    for number, entry in enumerate(json.loads(text)["entry"]):
        resource = entry["resource"]
        meta = {**resource.get("meta", {}), "versionId": "1", "lastUpdated": "2026-03-02T12:00:00Z"}
        stored.append(("", {**resource, "id": str(number + 100), "meta": meta}))
    return stored
