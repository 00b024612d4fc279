"""The report on paper: the answer on the first sheet, nothing cut, the same bytes, and no text as markup."""

from __future__ import annotations

import hashlib
import io
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader
from pypdf.generic import DictionaryObject

from drawn_trials import DRAWN, fixture
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Ignored
from ebbmark.physiology.advice import Caution, Severity
from ebbmark.physiology.findings import EVIDENCE
from ebbmark.views.figure import figure_of
from ebbmark.views.figure_words import alternative_text
from ebbmark.views.sheet import MOST_CHARACTERS, PatientLabel, ReportPart, report_pdf, settable
from ebbmark.words.messages import spell
from recommendations import ALL, RECORDED_S, found, retold

ROOT = Path(__file__).parents[2]
MARKUP = '#panic("x") *b* _i_ $x^2$ \\ @ref <lab> // c /* d */ ] } ) " `raw` #import "a.typ" = Heading'


def read(recommendation: Answer, parts: Sequence[ReportPart] = ("answer", "everything")) -> PdfReader:
    return PdfReader(io.BytesIO(report_pdf(recommendation, recorded_s=RECORDED_S, parts=parts)))


def text_of(reader: PdfReader) -> str:
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


def crowded(*, cautions: int, reasons: int, times: int = 1) -> Answer:
    """25 steps, and as many cautions and reasons as wanted, each `times` as long as a real one."""
    recommendation = DRAWN["25 steps"]()
    caution = "A caution about this patient, about as long as the real ones are, so that it takes two lines. " * times
    reason = "no pressure reading that counts goes with it. " * times
    ignored = tuple(Ignored(f"p{number}", "", "x", f"Reason {number}: {reason}") for number in range(reasons))
    return retold(
        replace(recommendation, ignored=ignored),
        advice=replace(
            recommendation.titration.advice,
            cautions=tuple(
                Caution("single-readings", Severity.MODERATE, f"Number {number}. {caution}", "invented", True)
                for number in range(cautions)
            ),
        ),
    )


def saying(text: str) -> Answer:
    """An answer in which everything that a request can word says this."""
    recommendation = fixture("clear-closing")
    person = replace(recommendation.request.known_person, sex_origin=text)
    request = replace(
        recommendation.request,
        subject=f"Patient/{text}",
        person=person,
        encounter=f"Encounter/{text}",
        notes=(text,),
    )
    return replace(recommendation, request=request, ignored=(Ignored("p", text, "x", text),))


@pytest.mark.parametrize("name", [*DRAWN, *ALL])
def test_the_answer_takes_one_sheet_and_everything_behind_it_is_a_document_of_its_own(name: str) -> None:
    answer = {**DRAWN, **ALL}[name]()
    sheet, behind = (
        [page.extract_text() for page in read(answer, parts=(part,)).pages] for part in ("answer", "everything")
    )

    assert len(sheet) == 1
    assert "Published work" in sheet[0]
    assert "or not now, because" in sheet[0]
    assert answer.short.head.split()[0] in sheet[0]
    assert "Steps of the decremental limb" not in sheet[0]
    assert len(behind) <= 2
    assert "for the auditor" in behind[0]
    assert "Steps of the decremental limb" in behind[0]


@pytest.mark.parametrize("name", ["noisy record", "25 steps"])
def test_no_type_is_smaller_than_9_points(name: str) -> None:
    sizes: set[float] = set()
    for page in read(DRAWN[name]()).pages:
        page.extract_text(
            visitor_text=lambda text, _, matrix, __, size: sizes.add(abs(matrix[3]) * size if text.strip() else 99)
        )

    assert min(sizes) > 5.9  # an index, as that of cmH2O in the figure, is two thirds of the type that it goes with
    assert min(sizes - {size for size in sizes if size < 7}) >= 8.99


def test_nothing_of_a_crowded_answer_is_cut() -> None:
    text = text_of(read(crowded(cautions=25, reasons=90)))

    assert text.count("MODERATE: Number") == 25
    assert text.count("1 × Reason") == 90
    assert "has them all" not in text


def test_whose_it_is_stands_on_every_sheet() -> None:
    label = PatientLabel("Maple Example", "11 May 1967", "DEMO-0001")
    pages = PdfReader(io.BytesIO(report_pdf(found(), recorded_s=RECORDED_S, label=label))).pages

    for page in pages:
        assert "Maple Example born 11 May 1967 record number DEMO-0001" in " ".join(page.extract_text().split())


def test_without_a_name_there_is_a_place_for_the_label_of_the_ward() -> None:
    for page in read(found()).pages:
        assert "Name Birth date Record number" in " ".join(page.extract_text().split())


def test_all_that_an_ordinary_answer_says_is_on_the_page() -> None:
    recommendation = found()
    text = text_of(read(recommendation))

    for said in (
        "Patient/invented-1",
        "Encounter/9",
        "Preliminary; a licensed clinician decides.",
        "Suggested PEEP 14 cmH2O. Compliance fell fairly clearly at PEEP 12 (87 %).",
        "Predicted body weight 61.5 kg",  # 45.5 + 0.91 × (170 − 152.4), ARDS Network 2000
        "Tidal volume target 369 mL",
        "Plateau pressure would exceed 30 cmH2O.",
        "HIGH: Plateau pressure was above 30 cmH2O. Source: invented.",
        "15 of 15 inputs",
        "1 × Entered in error.",
        "1 × The code 1234-5 is not known here.",
        "Some of them are preliminary.",
        recommendation.identity,
        recommendation.input_digest,
        f"Ebbmark {recommendation.engine_version}",
        "compliance-closing version 1",
        "2023-11-14 22:13:20 UTC",  # 1,700,000,000 s
    ):
        assert said in text, said


def test_every_step_has_its_row() -> None:
    text = text_of(read(found()))

    for peep, compliance in ((20, "38.2"), (18, "41.0"), (12, "40.3"), (8, "33.0")):
        assert f"{peep} 2 370 " in text
        assert compliance in text


@pytest.mark.parametrize("name", ["clear closing", "25 steps", "never reached"])
def test_what_guidelines_and_the_largest_trial_found_is_never_left_out(name: str) -> None:
    text = text_of(read(DRAWN[name]())).replace(" ", "")

    for line in EVIDENCE[:3]:
        assert spell(line.text).replace(" ", "") in text
        assert line.citation.replace(" ", "") in text


def test_without_a_suggestion_the_page_says_so_and_why() -> None:
    text = text_of(read(fixture("never-reached")))

    assert "No PEEP is suggested. Over 24 h ago: Compliance did not fall for good down to 8" in text
    assert "Suggested PEEP" not in text


def test_text_of_a_request_stays_text() -> None:
    text = text_of(read(saying(MARKUP)))

    assert f"Patient/{MARKUP}" in text.replace("’", "'")


@pytest.mark.parametrize(
    ("hostile", "shown"),
    [
        ("漢字", "[U+6F22][U+5B57]"),
        ("a\u202eb", "a[U+202E]b"),
        ("\x00\x07", "[U+0000][U+0007]"),
        ("\U0001f600", "[U+1F600]"),
        ("two\n\nlines", "two lines"),
        ("Größe µ ≥ Привет", "Größe µ ≥ Привет"),
        ("e\u0301", "é"),
    ],
)
def test_what_the_typeface_does_not_have_is_named_by_its_code_point(hostile: str, shown: str) -> None:
    assert settable(hostile) == shown

    assert f"Patient/{shown}" in text_of(read(saying(hostile)))


def test_every_character_that_is_let_through_can_be_set() -> None:
    let_through = [chr(code) for code in range(0x3000) if settable(chr(code)) == chr(code)]
    lines = [" ".join(let_through[start : start + 150]) for start in range(0, len(let_through), 150)]
    recommendation = fixture("clear-closing")
    request = replace(recommendation.request, notes=tuple(lines))

    # A missing character would be refused: the document claims to be accessible.
    assert len(let_through) > 1000
    assert len(read(replace(recommendation, request=request, ignored=())).pages) <= 4


def test_a_text_without_end_is_cut_and_says_so() -> None:
    assert settable("x " * MOST_CHARACTERS).endswith(f" … and {MOST_CHARACTERS - 1} more characters")
    assert len(read(saying("x" * 100_000)).pages) <= 5


def test_a_long_word_can_be_broken() -> None:
    assert max(len(piece) for piece in settable("y" * 500).split("\u200b")) <= 40


@pytest.mark.parametrize("name", ["clear closing", "25 steps"])
def test_the_same_answer_gives_the_same_bytes(name: str) -> None:
    recommendation = DRAWN[name]()

    first = report_pdf(recommendation, recorded_s=RECORDED_S)
    report_pdf(found(), recorded_s=RECORDED_S)

    assert report_pdf(DRAWN[name](), recorded_s=RECORDED_S) == first


def test_another_process_gives_the_same_bytes() -> None:
    code = (
        "import hashlib; from drawn_trials import fixture; from ebbmark.views.sheet import report_pdf;"
        "print(hashlib.sha256(report_pdf(fixture('clear-closing'), recorded_s=1.7e9)).hexdigest())"
    )
    run = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={"PYTHONPATH": f"{ROOT / 'service'}:{ROOT / 'tests'}", "TZ": "Asia/Tokyo", "LANG": "C"},
    )

    here = hashlib.sha256(report_pdf(fixture("clear-closing"), recorded_s=1.7e9)).hexdigest()
    assert run.stdout.strip() == here


def test_the_document_is_tagged_and_names_its_language_title_and_date() -> None:
    reader = read(found())
    catalogue = reader.root_object
    marked = catalogue["/MarkInfo"]

    assert isinstance(marked, DictionaryObject)
    assert marked["/Marked"]
    assert "/StructTreeRoot" in catalogue
    assert str(catalogue["/Lang"]).startswith("en")
    assert reader.metadata is not None
    assert reader.metadata.title == "Decremental PEEP trial: closing pressure and what follows"
    assert reader.metadata.creation_date_raw == "D:20231115004320Z"  # 1,700,009,000 s


def test_the_figure_has_its_text_alternative() -> None:
    alternatives = [str(one["/Alt"]) for one in _objects(read(found())) if "/Alt" in one]

    assert alternatives == [alternative_text(figure_of(found()))]


def _objects(reader: PdfReader) -> list[DictionaryObject]:
    numbers = sorted(number for table in (reader.xref_objStm, *reader.xref.values()) for number in table)
    held = [reader.get_object(number) for number in numbers]
    return [one for one in held if isinstance(one, DictionaryObject)]


def test_no_typeface_of_the_machine_is_used() -> None:
    fonts = {str(one["/BaseFont"]) for one in _objects(read(found())) if "/BaseFont" in one}

    assert fonts
    assert all("Libertinus" in font for font in fonts)
