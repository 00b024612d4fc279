"""The source of a page: one patient and trial; the demo and the record answer the same few questions.

What cannot be had or done is refused (`Rejected`), and shown as a page by the routes.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from typing import Final, Protocol, TypeVar
from urllib.parse import urlencode

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.codesystem import OVERRIDE_REASONS
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.patient import Demographics, demographics_of
from ebbmark.fhir.reading.request import Site
from ebbmark.fhir.reading.units import UCUM
from ebbmark.record.search import ReadFailure
from ebbmark.record.write_back import WriteOutcome
from ebbmark.use_cases.recording import DryRun, Recorded
from ebbmark.words.messages import level

Json = dict[str, object]
_PEEP: Final = re.compile(r"[0-9]{1,2}(?:\.[0-9])?")


@dataclass(frozen=True, slots=True)
class Choice:
    """What somebody chose to record.

    Attributes:
        make_current: the results are to stand again where the record holds them marked superseded.
        peep: chosen instead of the suggested one, as it was typed; empty where none was.
    """

    with_report: bool = False
    make_current: bool = False
    peep: str = ""
    because: str = ""

    @property
    def parameters(self) -> tuple[Json, ...]:
        """What the titration is asked with."""
        if not self.peep:
            return ()
        if not _PEEP.fullmatch(self.peep):
            sentence = "The PEEP chosen is no number."
            raise Rejected((Problem(ProblemKind.BAD_PARAMETER, "", "a text", "a number", sentence),))
        pressure = {"value": float(self.peep), "unit": "cmH2O", "system": UCUM, "code": "cm[H2O]"}
        because = ({"name": "chosen-because", "valueCode": self.because},) if self.because else ()
        return ({"name": "chosen-peep", "valueQuantity": pressure}, *because)

    @property
    def query(self) -> str:
        """The choice as it stands in an address; empty where none was made."""
        return urlencode({"peep": self.peep, "because": self.because}) if self.peep else ""

    def of(self, answer: Answer) -> Choice:
        """The choice without its PEEP where that is the suggested one: then nothing else was chosen."""
        suggested, chosen = answer.titration.advice.suggested_peep_cmh2o, answer.request.asked.chosen_peep_cmh2o
        same = chosen is not None and suggested is not None and level(chosen) == level(suggested)
        return replace(self, peep="", because="") if same else self


NO_CHOICE: Final = Choice()
"""The answer as it comes."""


async def titrated(source: TrialSource, choice: Choice) -> tuple[Answer, Choice]:
    """The answer with the PEEP that was chosen; without one where that is the suggested PEEP."""
    answer = await source.asked(TITRATE_PEEP.slug, choice.parameters)
    kept = choice.of(answer)
    return (answer if kept == choice else await source.asked(TITRATE_PEEP.slug)), kept


class TrialSource(Protocol):
    """One patient, as known at one instant."""

    @property
    def at_s(self) -> float:
        """The instant that counts as now [s since 1970-01-01T00:00:00Z]."""

    @property
    def invented(self) -> str:
        """What stands above a page of an invented patient; empty for a real one."""

    @property
    def banner(self) -> bool:
        """Whether the page must show who the patient is, since nothing around it does."""

    @property
    def leave(self) -> str:
        """Where to leave the session; empty where there is none."""

    @property
    def every_s(self) -> int:
        """How often a running trial is looked at [s]."""

    @property
    def site(self) -> Site:
        """What the site has decided."""

    @property
    def speed(self) -> int:
        """How many seconds of the patient's time pass in one."""

    @property
    def place(self) -> str:
        """Which record, or which demo, this patient is of."""

    @property
    def csrf(self) -> str:
        """What a form must carry, so that no other site can send it."""

    @property
    def clinician(self) -> Mapping[str, str]:
        """Who is signed in, as a FHIR Reference; empty where that is no clinician."""

    def asks_together(self) -> None:
        """Several questions follow at once, so that what they share need be read only once."""

    async def patient(self) -> Mapping[str, object]:
        """The Patient as JSON values."""

    async def asked(self, slug: str, parameters: tuple[Json, ...] = (), entered: Sequence[Json] = ()) -> Answer:
        """The answer to a question."""

    async def nothing_new_since(self, since_s: float) -> bool:
        """Whether it is known for certain that nothing was charted since then."""

    def cannot_write(self, choice: Choice) -> str:
        """Why this cannot be recorded with the access at hand; empty where it can."""

    def cannot_enter(self) -> str:
        """Why what was typed by hand cannot be recorded with the access at hand; empty where it can."""

    async def record_entered(self, observations: Sequence[Json]) -> WriteOutcome | None:
        """Record what was typed by hand; None where nothing can be written."""

    async def recorded(self, identity: str) -> str | None:
        """Where the Provenance of this answer is: empty where nowhere yet, None where that is not known."""

    def to_be_written(self, answer: Answer, choice: Choice) -> Json:
        """The transaction that recording would send."""

    async def dry_run(self, transaction: Json) -> DryRun | ReadFailure | None:
        """What recording would do to what is in the record; why that is not known; None where there is no record."""

    async def record(self, answer: Answer, choice: Choice) -> Recorded | None:
        """Record the answer, for the person who is signed in; None where nothing can be written."""


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason: its code in the event, its words on the page."""

    code: str
    words: str


REASONS: Final = tuple(Reason(code, display) for code, display, _ in OVERRIDE_REASONS)
"""The same as a card offers: a reason given here and one given there can be counted together."""


def reason_of(code: str) -> Reason | None:
    """The reason of this code; None where there is none."""
    return next((one for one in REASONS if one.code == code), None)


def chosen_note(answer: Answer) -> str:
    """What an answer says of the PEEP that the clinician chose; empty where none was."""
    return next((statement.note for statement in answer.statements if statement.code == "chosen-peep"), "")


T = TypeVar("T")


async def tried(asked: Awaitable[T]) -> T | Rejected:
    """What was asked for, or the refusal as a value."""
    try:
        return await asked
    except Rejected as rejected:
        return rejected


async def demographics(source: TrialSource, zone: tzinfo) -> Demographics:
    """Who the patient is, by the day in the site's zone."""
    return demographics_of(await source.patient(), today=datetime.fromtimestamp(source.at_s, zone).date())
