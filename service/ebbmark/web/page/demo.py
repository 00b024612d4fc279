"""The demo: its invented patients, how time passes for them, and the addresses of their pages."""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import Any, Final

import msgspec
from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.reading.request import RequestContext, Site
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.record.search import ReadFailure
from ebbmark.record.write_back import WriteOutcome
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.recording import DryRun, Recorded, answer_bundle
from ebbmark.web.page.frame import Pages
from ebbmark.web.page.learning import show_learning
from ebbmark.web.page.source import Choice
from ebbmark.web.theme import PageRefused, page_response

SPEED: Final = 8
"""How many seconds of a running demo pass in one."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """One invented patient at one instant, or over a stretch of time.

    Attributes:
        now: the instant that counts as now, or at which a running demo starts.
        until: what is charted later is not known yet, and a running demo stops; empty for now.
        most_s: how long time passes where that is longer than things are charted [s].
    """

    slug: str
    title: str
    sentence: str
    file: str
    now: str
    until: str = ""
    running: bool = False
    first: str = ""
    most_s: float = 0.0


SCENARIOS: Final = msgspec.toml.decode(
    (files("ebbmark.web.page") / "demos.toml").read_bytes(), type=dict[str, tuple[Scenario, ...]]
)["scenario"]
"""In the order of the list of demos."""

Json = dict[str, Any]

_NOT_ASKED: Final = frozenset({"margin"})
"""Left to the protocol, as in a record: with a margin that only the titration takes, two pages would name two PEEPs."""


@dataclass(frozen=True, slots=True)
class DemoSource:
    """One scenario at one instant."""

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
        return next(
            resource for resource in _resources(_read(self.scenario.file)) if resource["resourceType"] == "Patient"
        )

    async def asked(self, slug: str, parameters: tuple[Json, ...] = (), entered: Sequence[Json] = ()) -> Answer:
        """The answer to a question, read as any request."""
        operation = BY_SLUG[slug]
        body = self._request(frozenset(operation.parameters) - _NOT_ASKED, parameters, entered)
        return await asyncio.to_thread(answer_request, operation, body, RequestContext(self.at_s, self.site))

    async def nothing_new_since(self, _: float) -> bool:
        """Reading the demo costs no more than asking."""
        return False

    async def recorded(self, _: str) -> str | None:
        """Nowhere: there is no record."""
        return ""

    @property
    def speed(self) -> int:
        """Time passes only in a running demo."""
        return SPEED if self.scenario.running else 1

    @property
    def place(self) -> str:
        """The demo of this name."""
        return self.scenario.slug

    def cannot_enter(self) -> str:
        """It can be tried."""
        return ""

    async def record_entered(self, _: Sequence[Json]) -> WriteOutcome | None:
        """Nothing can be written."""
        return None

    def cannot_write(self, _: Choice) -> str:
        """Whatever is chosen, it can be tried."""
        return ""

    def to_be_written(self, answer: Answer, choice: Choice) -> dict[str, object]:
        """What would be written, if this were a record."""
        bundle = answer_bundle(answer, at_s=self.at_s, signer=None, with_report=choice.with_report)
        return as_transaction(bundle, answer.request.subject)

    async def dry_run(self, _: dict[str, object]) -> DryRun | ReadFailure | None:
        """Nothing: there is no record."""
        return None

    async def record(self, _: Answer, __: Choice) -> Recorded | None:
        """Nothing can be written."""
        return None

    def _request(self, taken: frozenset[str], parameters: tuple[Json, ...] = (), entered: Sequence[Json] = ()) -> bytes:
        """The embedded request with what is charted by now, and with the parameters that the question takes."""
        whole = _read(self.scenario.file)
        if whole["resourceType"] == "Bundle":
            kept = [one for one in whole["entry"] if self._is_known(one["resource"], taken)]
            typed = [{"resource": one} for one in entered]
            bundle = {"resourceType": "Bundle", "type": "collection", "entry": [*kept, *typed]}
            given: list[Json] = [{"name": "bundle", "resource": bundle}]
        else:
            given = [
                one
                for one in whole["parameter"]
                if one["name"] in taken and ("resource" not in one or self._is_known(one["resource"], taken))
            ]
            given += [{"name": "observation", "resource": one} for one in entered]
        chosen = {parameter["name"] for parameter in parameters}
        kept_given = [one for one in given if one["name"] not in chosen]
        as_of = {"name": "as-of", "valueInstant": _spelled(self.at_s)}
        return msgspec.json.encode({"resourceType": "Parameters", "parameter": [*kept_given, as_of, *parameters]})

    def _is_known(self, resource: Json, taken: frozenset[str]) -> bool:
        if resource["resourceType"] == "Condition" and "condition" not in taken:
            return False
        charted = str(resource.get("effectiveDateTime") or resource.get("recordedDate") or "")
        until_s = min(self.at_s, _seconds(self.scenario.until)) if self.scenario.until else self.at_s
        return not charted or _seconds(charted) <= until_s


def source_of(scenario: Scenario, opened_s: float, wall_s: float, site: Site) -> DemoSource:
    """The scenario as it stands.

    Args:
        opened_s: when its page was first opened [s since 1970-01-01T00:00:00Z].
    """
    now_s = _seconds(scenario.now)
    if scenario.running:
        until_s = max(now_s + scenario.most_s, _seconds(scenario.until))
        now_s = min(now_s + SPEED * max(0.0, wall_s - opened_s), until_s)
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


_OPENED = re.compile(r"[0-9]{1,10}")
_BY_SLUG = {one.slug: one for one in SCENARIOS}


def source_of_demo(site: Site, wall_s: Callable[[], float] = time.time) -> Callable[[Request], Awaitable[DemoSource]]:
    """From a request for a scenario to its patient."""

    async def source(request: Request) -> DemoSource:
        slug, _, opened = str(request.path_params["scenario"]).partition(".")
        if opened and not _OPENED.fullmatch(opened):
            raise _unknown()
        return source_of(_scenario(slug), float(opened or wall_s()), wall_s(), site)

    return source


def demo_router(site: Site, pages: Pages, *, wall_s: Callable[[], float] = time.time) -> APIRouter:
    """The list of the scenarios, the simulated lung, and the way into each scenario."""
    # Not in the published document: what is invented is served only where somebody asks for the demo.
    router = APIRouter(prefix="/demo", include_in_schema=False)

    @router.get("/")
    async def demos() -> Response:
        body = pages.body("demos.html", scenarios=SCENARIOS, invented="Demo")
        return page_response(body, frame_ancestors=pages.frame_ancestors)

    @router.get("/learning")
    async def learning(request: Request) -> Response:
        return await show_learning(request, site, pages)

    @router.get("/{scenario}")
    async def opened(request: Request) -> Response:
        """To the page; of a running demo to one that remembers in its address when it was opened."""
        found = _scenario(request.path_params["scenario"])
        moment = f".{wall_s():.0f}" if found.running else ""
        return RedirectResponse(f"{pages.root}/demo/{found.slug}{moment}/{found.first}", status_code=303)

    return router


def _scenario(slug: str) -> Scenario:
    found = _BY_SLUG.get(slug)
    if found is None:
        raise _unknown()
    return found


def _unknown() -> PageRefused:
    sentence = "There is no such demo."
    return PageRefused(404, "Not a demo", sentence, todo=("Open the list of demos at /demo/.",))
