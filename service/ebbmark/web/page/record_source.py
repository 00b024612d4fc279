"""One patient of a record, read and written with the access of the person who opened the page there."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import msgspec
from fastapi import Request

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import RequestContext, Site
from ebbmark.fhir.writing.provenance import Access, Actor, AuditAction
from ebbmark.keys import SigningKey
from ebbmark.record.client import RecordClient, ViewCache
from ebbmark.record.clinical_resources import nothing_stored_since
from ebbmark.record.fetch import in_time
from ebbmark.record.record_query import WINDOW_S, named_in_record, record_query_of
from ebbmark.record.search import Budget, ReadFailure, no_patient, read_one
from ebbmark.record.stored_answers import where_recorded
from ebbmark.record.write_back import WriteOutcome, WriteState
from ebbmark.use_cases.from_record import answer_from_record
from ebbmark.use_cases.recording import DryRun, Recorded, dry_run, record_answer, record_entered, to_be_written
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.launch.access import LaunchFault, SmartLaunch, refused
from ebbmark.web.launch.session import Session
from ebbmark.web.page.source import Choice
from ebbmark.web.theme import PageRefused
from ebbmark.web.token_check import NEEDED_TO_WRITE, missing
from ebbmark.words.messages import say

NEEDED_FOR_REPORT: Final = "DiagnosticReport.crus"


@dataclass(frozen=True, slots=True)
class PageConfig:
    """What every page in a record was configured with."""

    context: RequestContext
    signer: SigningKey | None
    trail: AuditTrail
    deadline_s: float = 55.0


@dataclass(frozen=True, slots=True)
class RecordSource:
    """The patient of one session.

    Attributes:
        record_client: the record, with the access of that person; for what is written, and all that is read for it.
        reading: the same, with a view_cache: what several questions of one view share is read once.
        until_s: when this request must be answered, by the clock of the event loop [s].
    """

    session: Session
    record_client: RecordClient
    reading: RecordClient
    actor: Actor
    csrf: str
    at_s: float
    config: PageConfig
    until_s: float

    invented = ""
    leave = "leave"
    speed = 1
    every_s = 5

    @property
    def banner(self) -> bool:
        """Whether the record asks the page to say whose it is."""
        return self.session.need_patient_banner

    @property
    def clinician(self) -> Mapping[str, str]:
        """Who is signed in, where the record says that it is a clinician."""
        user = self.session.fhir_user or ""
        return {"reference": user} if "/Practitioner" in f"/{user}" else {}

    def cannot_write(self, choice: Choice) -> str:
        """Why this cannot be recorded with this access; empty where it can."""
        needed = (*NEEDED_TO_WRITE, *((NEEDED_FOR_REPORT,) if choice.with_report else ()))
        lacking = missing(self.session.scope, needed)
        return say("page.access-page-given", listed=", ".join(lacking)) * bool(lacking)

    def asks_together(self) -> None:
        """Read as far back as the furthest of the questions of the answer's page."""
        if self.reading.view_cache is not None:
            hours = max(BY_SLUG[slug].hours_back for slug in ("next-step", "check-validity"))
            self.reading.view_cache.reach_s = max(WINDOW_S, hours * 3600.0)

    async def patient(self) -> Mapping[str, object]:
        """The Patient, as the record gives it now."""
        reading = read_one(self._patient, record=self.reading, budget=Budget(requests=1))
        found = await in_time(reading, self.until_s)
        if isinstance(found, ReadFailure):
            raise _told(Rejected((no_patient(found),)))
        return msgspec.json.decode(found.resource, type=dict[str, object])

    async def asked(
        self, slug: str, parameters: tuple[dict[str, object], ...] = (), entered: Sequence[dict[str, object]] = ()
    ) -> Answer:
        """The answer to a question about what the record holds."""
        base_url = self.reading.settings.base_url
        body = named_in_record(self._patient, encounter=None, period=None, parameters=parameters)
        context = replace(self.config.context, at_s=self.at_s)
        try:
            asked = record_query_of(body, base_url=base_url, at_s=self.at_s)
            if asked is None:
                sentence = say("page.patient-session-cannot")
                raise Rejected((Problem(ProblemKind.NOT_IN_RECORD, "", "an odd id", "an id of FHIR", sentence),))
            answer = await answer_from_record(
                BY_SLUG[slug],
                asked,
                context,
                record=self.reading,
                withheld=self._withheld,
                entered=entered,
                until_s=self.until_s,
            )
        except Rejected as rejected:
            await self._note(AuditAction.READ, succeeded=False)
            raise _told(rejected) from None
        sources = tuple(source.reference for source in answer.request.sources if source.reference)
        await self._note(AuditAction.READ, resources=sources, identity=answer.identity)
        return answer

    @property
    def site(self) -> Site:
        """What the site has decided."""
        return self.config.context.site

    @property
    def place(self) -> str:
        """The record's address."""
        return self.session.iss

    def cannot_enter(self) -> str:
        """Why what was typed cannot be recorded with this access; empty where it can."""
        lacking = missing(self.session.scope, ("Observation.c",))
        if lacking:
            return say("page.access-page-given", listed=", ".join(lacking))
        return "" if self.clinician else say("page.record-does-not")

    async def record_entered(self, observations: Sequence[dict[str, object]]) -> WriteOutcome | None:
        """Record what was typed, in one transaction."""
        outcome = await record_entered(observations, record=self.record_client, until_s=self.until_s)
        places = tuple(one.location for one in (*outcome.created, *outcome.existing) if one.location)
        await self._note(
            AuditAction.WRITTEN,
            succeeded=outcome.state in (WriteState.WRITTEN, WriteState.ALREADY_THERE),
            resources=places,
        )
        return outcome

    async def nothing_new_since(self, since_s: float) -> bool:
        """Whether the record says so."""
        return await in_time(nothing_stored_since(self._patient, since_s, record=self.reading), self.until_s) is True

    async def recorded(self, identity: str) -> str | None:
        """Where the Provenance of this answer is."""
        found = await in_time(where_recorded(identity, record=self.reading), self.until_s)
        return None if isinstance(found, ReadFailure) else found

    def to_be_written(self, answer: Answer, choice: Choice) -> dict[str, object]:
        """The transaction that recording would send."""
        return to_be_written(
            answer,
            at_s=self.at_s,
            record=self.record_client,
            signer=self.config.signer,
            enterer=self.session.fhir_user,
            with_report=choice.with_report,
        )

    async def dry_run(self, transaction: dict[str, object]) -> DryRun | ReadFailure | None:
        """What recording would do, with the record as it is now."""
        return await in_time(dry_run(transaction, record=self.record_client), self.until_s)

    async def record(self, answer: Answer, choice: Choice) -> Recorded | None:
        """Record the answer for the person who is signed in."""
        outcome = await record_answer(
            answer,
            at_s=self.at_s,
            record=self.record_client,
            signer=self.config.signer,
            enterer=self.session.fhir_user,
            with_report=choice.with_report,
            make_current=choice.make_current,
            until_s=self.until_s,
        )
        await self._note(
            AuditAction.WRITTEN, succeeded=outcome.there, resources=outcome.places, identity=answer.identity
        )
        return outcome

    @property
    def _withheld(self) -> frozenset[str]:
        """Resource types beside Observations that the access of this person does not cover."""
        kinds = ("Condition", "MedicationAdministration", "Procedure")
        return frozenset(kind for kind in kinds if missing(self.session.scope, (f"{kind}.rs",)))

    @property
    def _patient(self) -> str:
        return f"Patient/{self.session.patient}"

    async def _note(
        self, deed: AuditAction, *, succeeded: bool = True, resources: tuple[str, ...] = (), identity: str = ""
    ) -> None:
        access = Access(deed, self.actor, succeeded, self._patient, resources, identity)
        await self.config.trail.note(access)


def _told(rejected: Rejected) -> Rejected | PageRefused:
    """The refusal; where the record no longer accepts the access of this session, that the session has ended."""
    ended = any(problem.kind is ProblemKind.RECORD_ACCESS for problem in rejected.problems)
    return refused(LaunchFault.ACCESS_ENDED) if ended else rejected


def source_of_tab(smart: SmartLaunch | None, config: PageConfig) -> Callable[[Request], Awaitable[RecordSource]]:
    """From a request of a tab to its patient.

    Args:
        smart: gives the session of a tab, and the record with its access; None where no record may open pages.
    """

    async def source(request: Request) -> RecordSource:
        if smart is None:
            raise PageRefused(404, say("page-refused.no-pages"), say("page-refused.no-record"))
        until_s = asyncio.get_running_loop().time() + config.deadline_s
        session = await smart.session_of(request)
        return RecordSource(
            session=session,
            record_client=smart.record_of(session),
            reading=smart.record_of(session, ViewCache()),
            actor=smart.actor_of(request, session.iss, session.fhir_user),
            csrf=session.csrf,
            at_s=time.time(),
            config=config,
            until_s=until_s,
        )

    return source
