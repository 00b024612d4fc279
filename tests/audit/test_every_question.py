"""Every question is signed, written to a record, read back and replayed as the same, not the titration alone."""

from __future__ import annotations

import asyncio
from datetime import datetime
from functools import cache
from pathlib import Path

import pytest
import respx
from pypdf import PdfReader

from audit.test_signature import KEY, PUBLISHED
from bedside_builders import body_of, condition, parameter, rows_down, stamp
from ebbmark.audit.signature import Verified, verify
from ebbmark.audit.stored_answer import needs_of
from ebbmark.cli import main
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.normal_form import resources_of
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.stored_answers import answer_in_record
from ebbmark.record.write_back import WriteState
from ebbmark.use_cases.questions import ANSWERS, answer_request
from ebbmark.use_cases.recording import Recorded, answer_bundle, record_answer
from ebbmark.use_cases.replay import replay
from ebbmark.use_cases.replay_exchange import Replayed
from ebbmark.views.sheet import report_pdf
from fhir_builders import Json, height, patient
from record.keeping_record import BASE, KeepingRecord
from record.test_ask_from_record import CASES, DOWN
from record.waits import Waits, noon

ACKNOWLEDGED: tuple[Json, ...] = (
    parameter("acknowledged", "untreated-pneumothorax"),
    {"name": "acknowledged-by", "valueReference": {"reference": "Practitioner/7", "display": "whoever"}},
)
EVERY = {
    "titrate-peep": (rows_down(DOWN), (), stamp(60)),
    **CASES,
    "plan-trial": ([*CASES["plan-trial"][0], condition("ptx", "J93.0")], ACKNOWLEDGED, stamp(60)),
}
LATER_S = datetime.fromisoformat(stamp(60)).timestamp() + 86_400.0


@cache
def answered(slug: str) -> Answer:
    resources, given, now = EVERY[slug]
    at_s = datetime.fromisoformat(now).timestamp() + 0.1234
    return answer_request(BY_SLUG[slug], body_of(resources, given), RequestContext(at_s))


def inputs_of(slug: str) -> list[tuple[str, Json]]:
    return [("", one) for one in (patient(), height(), *EVERY[slug][0])]


def replayed(slug: str, stored: list[tuple[str, Json]]) -> Replayed:
    return replay(
        stored, inputs_of(slug), RequestContext(LATER_S), render=lambda one, at_s: report_pdf(one, recorded_s=at_s)
    )


def recorded(slug: str, held: KeepingRecord) -> tuple[Recorded, list[tuple[str, Json]]]:
    """What became of writing the answer with its report, and how the record gives it back."""

    async def write() -> tuple[Recorded, object]:
        async with RecordClient(RecordSettings(BASE, (BASE,)), waiting=Waiting(Waits(), noon)) as client:
            answer = answered(slug)
            outcome = await record_answer(answer, at_s=LATER_S, record=client, signer=KEY, with_report=True)
            return outcome, await answer_in_record(answer.identity, record=client)

    with respx.mock() as router:
        held.attach(router)
        outcome, stored = asyncio.run(write())
    assert isinstance(stored, list), stored
    return outcome, stored


def test_every_question_is_here() -> None:
    assert set(EVERY) == set(ANSWERS) == set(BY_SLUG)


@pytest.mark.parametrize("slug", EVERY)
def test_a_signed_answer_is_replayed_as_the_same(slug: str) -> None:
    bundle = answer_bundle(answered(slug), at_s=LATER_S, signer=KEY, with_report=True)

    assert verify(resources_of(bundle), PUBLISHED).verified is Verified.VALID
    assert replayed(slug, [(url, dict(one)) for url, one in resources_of(bundle)]).findings == ()


@pytest.mark.parametrize("slug", EVERY)
def test_what_a_record_holds_is_signed_found_again_and_replayed_as_the_same(slug: str) -> None:
    held = KeepingRecord()
    for resource in (patient(), height(), *EVERY[slug][0]):
        held.put(f"{resource['resourceType']}/{resource['id']}", resource)

    first, stored = recorded(slug, held)
    again, _ = recorded(slug, held)

    assert (first.state, again.state) == (WriteState.WRITTEN, WriteState.ALREADY_THERE)
    assert verify(stored, PUBLISHED).verified is Verified.VALID
    assert needs_of(stored).patient == "Patient/p1"
    outcome = replayed(slug, stored)
    assert (outcome.same, outcome.findings) == (True, ())


@pytest.mark.parametrize("slug", EVERY)
def test_a_value_that_was_changed_afterwards_is_found(slug: str) -> None:
    bundle = answer_bundle(answered(slug), at_s=LATER_S, signer=None)
    stored = [(url, dict(one)) for url, one in resources_of(bundle)]
    place = next(number for number, (_, one) in enumerate(stored) if one["resourceType"] == "GuidanceResponse")
    stored[place] = (stored[place][0], {**stored[place][1], "note": [{"text": "Something else."}]})

    assert not replayed(slug, stored).same


@pytest.mark.parametrize("slug", EVERY)
def test_the_command_line_tells_and_prints_every_answer(
    slug: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    resources, given, now = EVERY[slug]
    request, page = tmp_path / "request.json", tmp_path / "page.pdf"
    request.write_bytes(body_of(resources, [*given, parameter("as-of", now)]))

    assert main(["evaluate", str(request), "--operation", slug, "--report", str(page)]) in (0, 3)

    told, printed = capsys.readouterr().out, PdfReader(page)
    assert " ".join(answered(slug).said[0].split()[:6]) in " ".join(told.split())
    assert "".join(printed.pages[0].extract_text().split())
