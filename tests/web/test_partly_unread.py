"""The page of an answer where a part of the record cannot be read: said, and nothing read on behind it."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

import pytest

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import NO_SITE
from ebbmark.web.page.answer_pages import show_answer
from ebbmark.web.page.demo import SCENARIOS, DemoSource
from ebbmark.web.page.frame import Pages
from web.reading_pages import words_of

AFTER_S = datetime(2026, 3, 2, 9, 40, tzinfo=UTC).timestamp()
UNREAD = Problem(ProblemKind.RECORD_FAILED, "", "503", "a reply", "The record did not answer.")
ended: list[str] = []


class PartlyUnread(DemoSource):
    """A record that can be read for everything but one question."""

    unread = ""

    async def asked(
        self, slug: str, parameters: tuple[dict[str, object], ...] = (), entered: Sequence[dict[str, object]] = ()
    ) -> Answer:
        if slug == self.unread:
            raise Rejected((UNREAD,))
        return await DemoSource.asked(self, slug, parameters, entered)


class NextStepUnread(PartlyUnread):
    unread = "next-step"


class PatientUnread(DemoSource):
    """A record whose Patient cannot be had while everything else takes its time."""

    async def patient(self) -> Mapping[str, object]:
        await asyncio.sleep(0)
        raise Rejected((UNREAD,))

    async def asked(
        self, slug: str, _: tuple[dict[str, object], ...] = (), __: Sequence[dict[str, object]] = ()
    ) -> Answer:
        try:
            await asyncio.Event().wait()
        finally:
            ended.append(slug)
        raise AssertionError


def test_where_the_trial_in_progress_could_not_be_read_the_answer_says_so() -> None:
    page = asyncio.run(show_answer(NextStepUnread(SCENARIOS[0], AFTER_S, NO_SITE), Pages(UTC)))

    text = words_of(bytes(page.body))
    assert "Whether one is, and whether it should stop, could not be read. The record did not answer." in text
    assert "Suggested PEEP 12 cmH2O" in text


def test_a_page_that_is_refused_reads_no_further() -> None:
    async def refused() -> list[str]:
        ended.clear()
        with pytest.raises(Rejected):
            await show_answer(PatientUnread(SCENARIOS[0], AFTER_S, NO_SITE), Pages(UTC))
        await asyncio.sleep(0)
        return sorted(ended)

    assert asyncio.run(refused()) == ["check-validity", "next-step", "titrate-peep"]
