"""An invented patient of today in a real record, for pages that a record opens."""

from __future__ import annotations

import re
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

from fhir_builders import at, height, patient, trial_observations
from launch_server import Chart

Json = dict[str, Any]

USER_ID = "rowan"
_FIRST = datetime.fromisoformat(at(0))
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+01:00")


class Ward:
    """Charts one patient, under ids of the test's own; the trial began two hours ago."""

    def __init__(self, client: httpx.Client, family: str, *, hours: float = 2.0) -> None:
        self.client = client
        self.family = family
        self.identity = f"w{uuid.uuid4().hex[:10]}"
        self.began = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=hours)
        self.put({**patient(), "name": [{"family": family, "given": ["Ivy"]}]})
        self.put(height())

    @property
    def patient(self) -> str:
        return f"Patient/{self.identity}"

    @property
    def chart(self) -> Chart:
        """What the record says when it opens us for this patient."""
        return Chart(self.identity, None)

    def charts_a_trial(self, **trial: Any) -> None:  # noqa: ANN401 - of the builder
        for resource in trial_observations(**trial):
            self.put(resource)

    def is_replaced_by(self, kept: Ward) -> None:
        """The record has merged this Patient into another."""
        person = self.client.get(f"/{self.patient}").json()
        link = [{"other": {"reference": kept.patient}, "type": "replaced-by"}]
        self.put({**person, "active": False, "link": link})

    def put(self, resource: Json) -> None:
        own = {name: value for name, value in resource.items() if name != "meta"}
        own["id"] = self.identity if own["resourceType"] == "Patient" else f"{self.identity}-{own['id']}"
        if "subject" in own:
            own["subject"] = {"reference": self.patient}
        if "effectiveDateTime" in own:
            own["effectiveDateTime"] = self.moved(own["effectiveDateTime"])
        reply = self.client.put(f"/{own['resourceType']}/{own['id']}", json=own)
        assert reply.is_success, reply.text

    def moved(self, when: str) -> str:
        """A moment of the builders, as many minutes after the start of this trial."""
        assert _TIME.fullmatch(when), when
        return (self.began + (datetime.fromisoformat(when) - _FIRST)).isoformat()

    def results(self) -> list[Json]:
        """Observations of ours in the record."""
        query = {"subject": self.patient, "identifier": "https://ebbmark.example/fhir/sid/result|", "_count": "100"}
        found = self.client.get("/Observation", params=query, headers={"Cache-Control": "no-cache"}).json()
        return [entry["resource"] for entry in found.get("entry", [])]
