"""The demo: a few invented patients inside the package, each seen at an instant of their own, one of them in progress.

A running demo starts when its page is first opened: that instant stands in the address, so that nothing is remembered
between requests and every visitor sees it from the start.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import Any

import msgspec

from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.recommendation import Recommendation
from ebbmark.fhir.writing.statements import Answer
from ebbmark.fhir.writing.write import as_transaction
from ebbmark.record.foreseen import Foreseen
from ebbmark.record.reading import ReadFailure
from ebbmark.use_cases.questions import QUESTIONS, ask
from ebbmark.use_cases.titrate import recommend
from ebbmark.web.page.demo_scenarios import SPEED, Scenario
from ebbmark.web.page.source import Choice
from ebbmark.web.recording import Outcome, answer_bundle

__all__ = ["DemoSource", "source_of"]

Json = dict[str, Any]

_TITRATION = frozenset({"bundle", "patient", "observation", "concept-map", "margin", "sex-for-formula", "as-of"})


@dataclass(frozen=True, slots=True)
class DemoSource:
    """One scenario at one instant.

    Attributes:
        scenario: which.
        at_s: the scenario's own now [s since 1970-01-01T00:00:00Z].
        site: what the site has decided.
    """

    scenario: Scenario
    at_s: float
    site: Site

    banner = True
    leave = ""
    every_s = 3
    csrf = "demo"

    @property
    def invented(self) -> str:
        """What stands above the page."""
        moment = datetime.fromtimestamp(self.at_s, UTC)
        clock = f"the clock of this demo stands at {moment.day} {moment:%B %Y, %H:%M} UTC"
        if self.scenario.running:
            clock = f"the clock of this demo runs {SPEED} times as fast as yours"
        return f"Demo with an invented patient: nothing here can be written to a record, and {clock}."

    @property
    def clinician(self) -> Mapping[str, str]:
        """Whoever looks at the demo."""
        return {"display": "whoever looks at this demo"}

    def asks_together(self) -> None:
        """Nothing has to be read."""

    async def patient(self) -> Mapping[str, object]:
        """The invented Patient."""
        return next(one for one in _resources(_read(self.scenario.file)) if one["resourceType"] == "Patient")

    async def titration(self) -> Recommendation:
        """The latest trial, read as any request."""
        return await asyncio.to_thread(recommend, self._request(_TITRATION), at_s=self.at_s, site=self.site)

    async def asked(self, slug: str, parameters: tuple[dict[str, object], ...] = ()) -> Answer:
        """The answer to a question beside the titration."""
        question = QUESTIONS[slug]
        body = self._request(frozenset(question.operation.parameters), parameters)
        return await asyncio.to_thread(ask, question, body, at_s=self.at_s, site=self.site)

    async def nothing_new_since(self, _: float) -> bool:
        """Reading the demo costs no more than asking."""
        return False

    async def recorded(self, _: str) -> str | None:
        """Nowhere: there is no record."""
        return ""

    def cannot_write(self, _: Choice) -> str:
        """Whatever is chosen, it can be tried."""
        return ""

    def to_be_written(self, recommendation: Recommendation, choice: Choice) -> dict[str, object]:
        """What would be written, if this were a record."""
        bundle = answer_bundle(recommendation, at_s=self.at_s, signer=None, with_report=choice.with_report)
        return as_transaction(bundle, recommendation.request.subject)

    async def foreseen(self, _: dict[str, object]) -> Foreseen | ReadFailure | None:
        """Nothing: there is no record."""
        return None

    async def record(self, _: Recommendation, __: Choice) -> Outcome | None:
        """Nothing can be written."""
        return None

    def _request(self, taken: frozenset[str], parameters: tuple[dict[str, object], ...] = ()) -> bytes:
        """The embedded request with what is charted by now, and with the parameters that the question takes."""
        whole = _read(self.scenario.file)
        if whole["resourceType"] == "Bundle":
            kept = [one for one in whole["entry"] if self._is_known(one["resource"], taken)]
            bundle = {"resourceType": "Bundle", "type": "collection", "entry": kept}
            given: list[Json] = [{"name": "bundle", "resource": bundle}]
        else:
            given = [
                one
                for one in whole["parameter"]
                if one["name"] in taken and ("resource" not in one or self._is_known(one["resource"], taken))
            ]
        as_of = {"name": "as-of", "valueInstant": _spelled(self.at_s)}
        return msgspec.json.encode({"resourceType": "Parameters", "parameter": [*given, as_of, *parameters]})

    def _is_known(self, resource: Json, taken: frozenset[str]) -> bool:
        if resource["resourceType"] == "Condition" and "condition" not in taken:
            return False
        charted = str(resource.get("effectiveDateTime") or resource.get("recordedDate") or "")
        until_s = min(self.at_s, _seconds(self.scenario.until)) if self.scenario.until else self.at_s
        return not charted or _seconds(charted) <= until_s


def source_of(scenario: Scenario, opened_s: float, wall_s: float, site: Site) -> DemoSource:
    """The scenario as it stands.

    Args:
        scenario: which.
        opened_s: when its page was first opened [s since 1970-01-01T00:00:00Z].
        wall_s: the instant of the request.
        site: what the site has decided.
    """
    now_s = _seconds(scenario.now)
    if scenario.running:
        now_s = min(now_s + SPEED * max(0.0, wall_s - opened_s), _seconds(scenario.until))
    return DemoSource(scenario, now_s, site)


@cache
def _read(name: str) -> Json:
    body = (files("ebbmark.web.page") / "scenarios" / f"{name}.json").read_bytes()
    return msgspec.json.decode(body, type=dict[str, Any])


def _resources(whole: Json) -> list[Json]:
    return [one["resource"] for one in (*whole.get("entry", ()), *whole.get("parameter", ())) if "resource" in one]


def _seconds(moment: str) -> float:
    return datetime.fromisoformat(moment).timestamp()


def _spelled(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
