"""A second catalogue in which every vowel has an accent: whatever is shown without one comes from elsewhere."""

from __future__ import annotations

import io
import re
import tomllib
from collections.abc import Iterator, Sequence
from functools import cache
from html import unescape
from pathlib import Path
from string import Formatter
from typing import Any

import pytest
from pypdf import PdfReader
from starlette.types import ASGIApp

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.writing.account import answer_text
from ebbmark.settings import Settings
from ebbmark.use_cases.recording import answer_bundle
from ebbmark.views.sheet import report_pdf
from ebbmark.web.app import create_app
from ebbmark.words.messages import ENGLISH, use_catalogue
from web.asking import ask
from web.hooks.calling import call, called, card, hooks_app
from web.reading_pages import words_of
from words.test_every_question_in_short import every

SERVICE = Path(__file__).parents[2] / "service" / "ebbmark"
ACCENTED = str.maketrans("aeiouyAEIOUY", "áéíóúýÁÉÍÓÚÝ")
PAGES = {
    "answer": "/demo/clear-closing/",
    "before": "/demo/stop-criterion.1000000000/before",
    "running": "/demo/running.1000000000/running",
    "stop": "/demo/stop-criterion.1000000000/running",
    "after": "/demo/second-trial/after",
    "days": "/demo/second-trial/days",
}
LEFT: dict[str, str] = {
    "answers": """
        American Berlin Care Crit Expired Matthay Mean Med Peak Respir Society Systolic The Thoracic
        administrative arterial blood caller charge choice clinician definition estimated female from gender
        global guideline inspired male measured more not pressure than the unspecified update volume was well
    """,
    "narrative": """
        arterial pressure
    """,
    "terminal": """
        Answer Conditions Each None Parameters Rules Targets absence administrative against and blood carries
        clinical codes count counts does driving either expired female for from gender its looked low not
        otherwise own peak plateau power pressure probability proof provisional rate readings record resolved
        says see service set sets source speak stands status that the this threshold trial unspecified until
        value version yes
    """,
    "paper": """
        Age American Answer Birth Care Cautions Conditions Crit Each Inputs Med Name None Published Record
        Remark Respir Rules Society Software Steps Targets The Thoracic Trial True Value Warnings What Why
        Written absence administrative against all and are blood bullae carries clinical codes come count counts
        date decremental did does doi driving each either emphysema every expired female for from gender
        guideline how interval its limb looked low lowered not number others otherwise own page peak plateau
        power pressure probability proof provisional rate reached read readings reason record resolved say says
        see service set sets severe severity source speak speaks stands static status step such that the there
        they this those threshold trial unspecified until update value version was were what where whether work
        yes
    """,
    "card": """
        Preliminary administrative female from gender the
    """,
    "pages": """
        American Answer Care Compliance Conditions Crit Dashed Driving Each High Low March Mean Mechanical Med
        Peak Respir Rules Set Society Software Source Static Thoracic Upright administrative after against and
        arterial axes before blood carries disease driving expired female from gender guideline hour interval
        its last line lowered lowest more newest not over own peak peep plateau power pressure probability
        provisional rate reached readings respiratory see service set sets source speak static suggested
        suspected than that the then this threshold tidal time trial unspecified update value version volume
    """,
}
"""What still comes from elsewhere (citations, words of codes and of the reading of a Patient, headings of the typeset
sheets, labels of tables), by where it is seen: a list may shrink and not grow."""


@pytest.fixture(scope="module", autouse=True)
def demo() -> Iterator[ASGIApp]:
    app = create_app(Settings(demo=True))
    use_catalogue({name: with_accents(text) for name, text in ENGLISH.items()})
    every.cache_clear()
    yield app
    use_catalogue({})
    every.cache_clear()


def with_accents(template: str) -> str:
    parts = Formatter().parse(template)
    return "".join(
        text.replace("{", "{{").replace("}", "}}").translate(ACCENTED) + ("" if name is None else f"{{{name}}}")
        for text, name, _, _ in parts
    )


def texts_in(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    for one in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from texts_in(one)


@cache
def of_data() -> tuple[str, ...]:
    """Texts of the data files, which a site replaces as files, and not by messages; the longest first."""
    found = {
        text for file in (SERVICE / "data").glob("*.toml") for text in texts_in(tomllib.loads(file.read_text("utf-8")))
    }
    return tuple(sorted((text for text in found if re.search("[aeiouyAEIOUY]", text)), key=len, reverse=True))


def plain_english(*texts: str) -> set[str]:
    """Words without an accent, of three letters or more with a vowel, that are of no data file."""
    found: set[str] = set()
    for text in texts:
        for known in of_data():
            if known in text:
                text = re.sub(rf"(?<!\w){re.escape(known)}(?!\w)", " ", text)
        found.update(
            one for one in re.findall(r"(?<![\w/.-])[A-Za-z]{3,}(?![\w/-])", text) if re.search("[aeiouy]", one)
        )
    return found


def said(answer: Answer) -> Sequence[str]:
    short = answer.short
    notes = [text for statement in answer.statements for text in (statement.note, statement.method)]
    return (short.line, *short.reasons, *answer.said, *notes, *[warning.text for warning in answer.warnings])


def narrative(answer: Answer) -> Iterator[str]:
    bundle: Any = answer_bundle(answer, at_s=0.0, signer=None)
    for entry in bundle["entry"]:
        yield unescape(re.sub(r"<[^>]+>", " ", entry["resource"].get("text", {}).get("div", "")))


def seen(where: str) -> set[str]:
    """Words of plain English that stand there."""
    answers = every()
    titration, question = (
        answers["clear-closing"],
        next(answer for answer in answers.values() if answer.titrated is None),
    )
    if where == "answers":
        return plain_english(*[text for answer in answers.values() for text in said(answer)])
    if where == "narrative":
        return plain_english(*[text for answer in answers.values() for text in narrative(answer)])
    if where == "terminal":
        bundles = [answer_bundle(one, at_s=0.0, signer=None) for one in (titration, question)]
        return plain_english(*[on_one_line(answer_text(bundle)) for bundle in bundles])
    if where == "paper":
        files = [report_pdf(one, recorded_s=0.0) for one in (titration, question)]
        sheets = [sheet for file in files for sheet in PdfReader(io.BytesIO(file)).pages]
        return plain_english(*[on_one_line(sheet.extract_text()) for sheet in sheets])
    told = card(call(hooks_app(launch=""), called()))
    return plain_english(told["summary"], told["detail"], *[one["label"] for one in told["suggestions"]])


def on_one_line(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("where", ["answers", "narrative", "terminal", "paper", "card"])
def test_answers_speak_the_language_in_force(where: str) -> None:
    assert seen(where) - set(LEFT[where].split()) == set()


@pytest.mark.parametrize("name", PAGES)
def test_pages_speak_the_language_in_force(demo: ASGIApp, name: str) -> None:
    body = ask(demo, method="GET", path=PAGES[name]).body
    # The banner of the demo and the names of its patients are no part of a page in a record.
    shown = words_of(body.partition(b"<nav")[2])

    assert plain_english(shown) - set(LEFT["pages"].split()) == set()
