"""The figure: what it shows, that nothing on it collides, that it can be read, and that its bytes do not change."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from itertools import combinations

import msgspec
import pytest
import typst
from pypdf import PdfReader

from drawn_trials import DRAWN, FIXTURES, fixture, with_vital_signs
from ebbmark.physiology.closing.result import Verdict
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS
from ebbmark.views.drawing import DARK, LIGHT, Area, Drawing, Label, Line, Marks, Palette, box_of, text_width_in
from ebbmark.views.figure import Figure, figure_of
from ebbmark.views.figure_words import alternative_text, figure_table
from ebbmark.views.panels import NARROW, WIDE, Aspect
from ebbmark.views.picture import draw, laid_out
from ebbmark.views.sheet import FIGURE, LOW_FIGURE
from recommendations import ALL, indeterminate

FIGURES: dict[str, Figure] = {}
ASPECTS = {"wide": WIDE, "narrow": NARROW, "on the sheet": FIGURE, "low on the sheet": LOW_FIGURE}
PALETTES = {"light": LIGHT, "dark": DARK}
SVG = "{http://www.w3.org/2000/svg}"
MARK_IN = 0.03
"""Half of the smallest mark."""

by_trial = pytest.mark.parametrize("name", [*DRAWN, *ALL])
by_aspect = pytest.mark.parametrize("aspect", ASPECTS.values(), ids=ASPECTS)
by_palette = pytest.mark.parametrize("palette", PALETTES.values(), ids=PALETTES)


def figure(name: str) -> Figure:
    if name not in FIGURES:
        FIGURES[name] = figure_of({**DRAWN, **ALL}[name]())
    return FIGURES[name]


def layout(name: str, aspect: Aspect = WIDE) -> Drawing:
    return laid_out(figure(name), aspect)


def labels(drawing: Drawing) -> list[Label]:
    return [ink for ink in drawing.inks if isinstance(ink, Label)]


def said(drawing: Drawing) -> str:
    return " ".join(label.text for label in labels(drawing))


def meet(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


@by_trial
@by_aspect
def test_no_label_meets_another(name: str, aspect: Aspect) -> None:
    boxes = [(label.text, box_of(label)) for label in labels(layout(name, aspect))]

    assert [(a, b) for (a, one), (b, other) in combinations(boxes, 2) if meet(one, other)] == []


@by_trial
@by_aspect
def test_no_label_leaves_the_figure(name: str, aspect: Aspect) -> None:
    drawing = layout(name, aspect)

    for label in labels(drawing):
        left, bottom, right, top = box_of(label)
        assert left >= 0, label
        assert bottom >= 0, label
        assert right <= drawing.width_in, label
        assert top <= drawing.height_in, label


@by_trial
@by_aspect
def test_no_label_lies_on_a_mark_or_a_bar_or_a_line(name: str, aspect: Aspect) -> None:
    drawing = layout(name, aspect)
    covered = [(x - MARK_IN, y - MARK_IN, x + MARK_IN, y + MARK_IN)
               for ink in drawing.inks if isinstance(ink, Marks) for x, y in ink.points]  # fmt: skip
    covered += [(min(xs), min(ys), max(xs), max(ys))
                for ink in drawing.inks if isinstance(ink, Area) and len(ink.points) == 4
                for xs, ys in [zip(*ink.points, strict=True)]]  # fmt: skip
    covered += [(min(xs) - 0.005, min(ys) - 0.005, max(xs) + 0.005, max(ys) + 0.005)
                for ink in drawing.inks if isinstance(ink, Line) and len(ink.points) == 2
                for xs, ys in [zip(*ink.points, strict=True)]]  # fmt: skip

    met = [label.text for label in labels(drawing) for box in covered if meet(box_of(label), box)]

    assert met == []


@pytest.mark.parametrize("text", ["suggested PEEP 12 cmH2O (closing + 2); other margins", "AVAToWe fi", "9.5", "70 %"])
def test_a_line_is_never_wider_than_it_was_taken_to_be(text: str) -> None:
    # As wide as the typesetter makes it in the report's typeface, which is among the narrow ones of the table.
    source = f'#set text(font: "Libertinus Serif", size: 10pt)\n#context [#metadata(measure("{text}").width.pt())<w>]'
    ((found,),) = (msgspec.json.decode(typst.query(source.encode(), "<w>", field="value", ignore_system_fonts=True)),)

    assert found / 72 <= text_width_in(text, 10.0)
    assert found / 72 > 0.7 * text_width_in(text, 10.0)


@by_trial
def test_every_reading_has_its_mark(name: str) -> None:
    drawn = sum(
        len(ink.points) for ink in layout(name).inks if isinstance(ink, Marks) and ink.shape in ("ring", "cross")
    )

    in_the_key = 1
    assert drawn == in_the_key + sum(len(step.readings_ml_per_cmh2o) for step in figure(name).steps)


def test_high_peep_stands_left_and_low_peep_right_and_the_direction_is_said() -> None:
    drawing = layout("clear closing")
    places = {label.text: label.at[0] for label in labels(drawing) if label.text in ("20", "14", "8")}

    assert places["20"] < places["14"] < places["8"]
    assert "PEEP lowered" in said(drawing)
    assert [ink for ink in drawing.inks if isinstance(ink, Line) and ink.arrow and ink.points[0] < ink.points[1]]


def test_the_suggestion_is_marked_by_text_and_shape_at_its_pressure() -> None:
    drawing = layout("clear closing")
    (mark,) = [ink for ink in drawing.inks if isinstance(ink, Marks) and ink.shape == "triangle"]
    (others,) = [ink for ink in drawing.inks if isinstance(ink, Marks) and ink.shape == "open-triangle"]
    places = {label.text: label.at[0] for label in labels(drawing) if label.text in ("12", "14")}

    assert "suggested PEEP 12 cmH2O (closing + 2); other margins: + 3 gives 13, + 4 gives 14" in said(drawing)
    assert mark.points[0][0] == pytest.approx(places["12"])
    assert max(x for x, _ in others.points) < mark.points[0][0]
    assert min(x for x, _ in others.points) == pytest.approx(places["14"])


def test_the_closing_pressure_is_marked_with_its_interval() -> None:
    drawing = layout("wide spread")
    (mark,) = [ink for ink in drawing.inks if isinstance(ink, Marks) and ink.shape == "diamond"]
    places = {label.text: label.at[0] for label in labels(drawing) if label.text in ("12", "10", "8")}
    thick = [ink for ink in drawing.inks if isinstance(ink, Line) and ink.role == "closing" and not ink.dashed]

    assert figure("wide spread").closing.interval_cmh2o == (8, 12)
    assert mark.points[0][0] == pytest.approx(places["10"])
    assert min(x for ink in thick for x, _ in ink.points) == pytest.approx(places["12"])
    assert max(x for ink in thick for x, _ in ink.points) == pytest.approx(places["8"])
    assert "90 % interval: 8 to 12 cmH2O" in said(drawing)


@pytest.mark.parametrize(
    ("name", "verdict", "words"),
    [
        ("never reached", Verdict.NOT_REACHED, "closing was not reached in this trial"),
        ("falling from the first step", Verdict.FALLING_FROM_FIRST_STEP, "falling from the first step"),
        ("25 steps, wide spread", Verdict.INDETERMINATE, "no statement about closing can be made (indeterminate)"),
        ("indeterminate, no estimate", Verdict.INDETERMINATE, "no probabilities can be given"),
    ],
)
@by_aspect
def test_without_a_closing_pressure_the_figure_says_so_and_draws_no_suggestion(
    name: str, verdict: Verdict, words: str, aspect: Aspect
) -> None:
    drawing = layout(name, aspect)

    assert figure(name).closing.verdict is verdict
    assert words in said(drawing)
    assert "no PEEP is suggested" in said(drawing)
    assert not [ink for ink in drawing.inks if not isinstance(ink, Label) and _role(ink) in ("suggestion", "closing")]


def _role(ink: Area | Line | Marks) -> str:
    return ink.fill if isinstance(ink, Area) else ink.role


def test_a_closing_pressure_without_a_suggestion_has_no_mark_of_one() -> None:
    drawing = layout("very stiff")

    assert figure("very stiff").closing.verdict is Verdict.FOUND
    assert "closing pressure 10 cmH2O" in said(drawing)
    assert "no PEEP is suggested" in said(drawing)
    assert not [ink for ink in drawing.inks if isinstance(ink, Marks | Line) and ink.role == "suggestion"]


def test_without_an_estimate_neither_curve_nor_band_nor_bars_are_drawn() -> None:
    drawing = laid_out(figure_of(indeterminate()), WIDE)

    assert [ink for ink in drawing.inks if isinstance(ink, Area)] == []
    assert "expected true curve" not in said(drawing)


@by_aspect
def test_the_probabilities_of_closing_at_no_step_are_said(aspect: Aspect) -> None:
    text = said(layout("indeterminate, undecided", aspect))

    assert "40 %" in text
    assert "10 %" in text
    assert "reached" in text
    assert "the first step" in text


def test_readings_far_from_the_curve_are_named_and_do_not_flatten_it() -> None:
    drawing = layout("far readings")
    (crosses,) = [ink for ink in drawing.inks if isinstance(ink, Marks) and ink.shape == "cross"]

    assert len(crosses.points) == 2
    assert "2 readings lie beyond the scale (crosses at its edge): 3.0 to 110.0 mL/cmH2O" in said(drawing)


@by_trial
def test_the_text_alternative_is_two_to_five_sentences_with_the_verdict_and_the_suggestion(name: str) -> None:
    text = alternative_text(figure(name))
    suggested = figure(name).suggested_peep_cmh2o

    # One more where a stop limit was met.
    met = any(row.beyond(step) for row in figure(name).vital_signs for step in range(len(figure(name).steps)))
    assert 2 <= text.count(". ") + 1 <= 4 + met
    assert text.endswith(".")
    assert "\u00a0" not in text
    assert ("No PEEP is suggested" in text) == (suggested is None)
    assert f"from {figure(name).steps[0].peep_cmh2o:.3g} to {figure(name).steps[-1].peep_cmh2o:.3g} cmH2O" in text


@by_trial
def test_the_table_has_a_row_for_every_step_and_a_cell_for_every_head(name: str) -> None:
    table = figure_table(figure(name))

    assert len(table.rows) == len(figure(name).steps)
    assert {len(row) for row in table.rows} == {len(table.heads)}


def test_the_table_says_what_is_drawn() -> None:
    table = figure_table(figure("found"))

    # The builder of this trial: compliance 40.3 twice at 12 cmH2O, band from 1.26 below to 1.31 above 40.34.
    assert table.rows[4] == ("12", "40.3, 40.3", "40.3", "40.3", "39.0 to 41.6", "87 %")
    assert "not reached in this trial 3 %" in table.caption


MET = "vital signs beyond their limits"


@by_aspect
def test_what_each_step_saw_stands_below_its_peep(aspect: Aspect) -> None:
    drawing = layout(MET, aspect)
    found = {
        text: {round(label.at[0], 3) for label in labels(drawing) if label.text == text}
        for text in ("18", "10", "8", "55", "72", "75", "95", "84", "80", "–")
    }

    # Lowest SpO2 and MAP of the builder; the last values, one higher, are not shown.
    assert found["55"] == found["18"] < found["95"]
    assert found["72"] == found["84"] == found["10"]
    assert found["75"] == found["80"] == found["8"]
    assert len(found["–"]) == 1
    assert "lowest SpO2 (%)" in said(drawing)
    assert "lowest MAP (mmHg)" in said(drawing)


@by_aspect
def test_a_value_beyond_its_stop_limit_is_bold_over_a_rule_and_the_limit_is_said(aspect: Aspect) -> None:
    drawing = layout(MET, aspect)
    bold = [label for label in labels(drawing) if label.bold]
    rules = [{x for x, _ in ink.points} for ink in drawing.inks if isinstance(ink, Line) and ink.width_pt == 1.0]

    # 59.6 is below 60 and must not be rounded to it; 60 is not below.
    assert {label.text for label in bold} == {"55", "58", "59.6", "84", "80"}
    assert all({box_of(label)[0], box_of(label)[2]} in rules for label in bold)
    assert "lowest MAP below 60 mmHg at 18, 16, 14 cmH2O (bold, underlined)" in said(drawing)
    assert "lowest SpO2 below 85 % at 10, 8 cmH2O (bold, underlined)" in said(drawing)
    limits = (DEFAULT_STOP_LIMITS.mean_arterial_pressure_below_mmhg, DEFAULT_STOP_LIMITS.spo2_below_percent)
    assert [limit.value for limit in limits if limit is not None] == [60, 85]


def test_the_bold_weight_is_in_every_file_of_the_figure() -> None:
    assert b'font-weight="bold"' in draw(figure(MET))
    assert b'font-weight="bold"' not in draw(figure("found"))


def test_a_bold_number_is_never_wider_than_it_was_taken_to_be() -> None:
    source = '#set text(font: "Libertinus Serif", size: 10pt, weight: "bold")\n' + (
        '#context [#metadata(measure("59.6").width.pt())<w>]'
    )
    ((found,),) = (msgspec.json.decode(typst.query(source.encode(), "<w>", field="value", ignore_system_fonts=True)),)
    left, _, right, _ = box_of(Label((0.0, 0.0), "59.6", 10.0, bold=True))

    assert found / 72 <= right - left


def test_the_table_and_the_text_alternative_say_the_vital_signs_that_are_drawn() -> None:
    table, words = figure_table(figure(MET)), alternative_text(figure(MET))

    assert table.heads[-2:] == ("Lowest SpO2 (%)", "Lowest MAP (mmHg)")
    assert [row[-2:] for row in table.rows] == [
        ("95", "55, below 60"),
        ("95", "58, below 60"),
        ("94", "59.6, below 60"),
        ("not charted", "60"),
        ("84, below 85", "72"),
        ("80, below 85", "75"),
    ]
    assert "Lowest SpO2 below 85 % at 10, 8 cmH2O; lowest MAP below 60 mmHg at 18, 16, 14 cmH2O." in words


def test_nothing_charted_leaves_no_row() -> None:
    assert figure("single readings").vital_signs == ()
    assert "lowest" not in said(layout("single readings"))
    assert "Vital signs" not in figure_table(figure("single readings")).caption


@pytest.mark.parametrize(
    ("mean", "systolic", "shown"),
    [
        ((70, 70, 70), (110, 110, 110), ["MAP"]),
        ((None, None, None), (110, 110, 110), ["systolic"]),
        ((70, None, 70), (110, 110, 110), ["MAP", "systolic"]),
        ((70, 70, 70), (110, 110, 85), ["MAP", "systolic"]),
        ((55, 70, 70), (85, 110, 110), ["MAP"]),
        ((None, None, None), (None, None, None), []),
    ],
)
def test_systolic_pressure_has_a_row_where_it_says_what_the_mean_does_not(
    mean: tuple[float | None, ...], systolic: tuple[float | None, ...], shown: list[str]
) -> None:
    charted = {Quantity.MEAN_ARTERIAL_PRESSURE: mean, Quantity.SYSTOLIC_ARTERIAL_PRESSURE: systolic}

    assert [row.name for row in figure_of(with_vital_signs(DRAWN["3 steps"](), charted)).vital_signs] == shown


@by_palette
@pytest.mark.parametrize("form", ["svg", "png", "pdf"])
def test_the_same_input_gives_the_same_bytes(form: str, palette: Palette) -> None:
    one = figure("clear closing")

    first = draw(one, form=form, palette=palette)  # type: ignore[arg-type]
    draw(figure("noisy record"), form=form, palette=palette)  # type: ignore[arg-type]

    assert draw(one, form=form, palette=palette) == first  # type: ignore[arg-type]


def test_the_svg_carries_its_text_alternative_no_date_and_nothing_from_elsewhere() -> None:
    svg = draw(figure("clear closing"))
    root = ElementTree.fromstring(svg)  # noqa: S314 - our own bytes

    assert root.findtext(f"{SVG}title") == alternative_text(figure("clear closing"))
    assert root.get("role") == "img"
    assert b"date" not in svg
    assert b"href" not in svg
    assert b"url(" not in svg


def test_every_number_of_the_svg_has_at_most_two_decimals() -> None:
    assert re.findall(rb"[0-9]\.[0-9]{3}", draw(figure("clear closing"))) == []


def test_every_label_of_the_svg_is_text_with_its_subscripts() -> None:
    root = ElementTree.fromstring(draw(figure("clear closing")))  # noqa: S314 - our own bytes
    texts = ["".join(one.itertext()) for one in root.iter(f"{SVG}text")]

    assert texts == [label.text for label in labels(layout("clear closing"))]
    assert {one.text for one in root.iter(f"{SVG}tspan") if one.get("font-size")} == {"2"}


def test_the_pdf_is_one_page_without_a_date() -> None:
    reader = PdfReader(io.BytesIO(draw(figure("clear closing"), form="pdf")))

    assert len(reader.pages) == 1
    assert reader.metadata is not None
    assert "/CreationDate" not in reader.metadata


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, https://www.w3.org/TR/WCAG22/#dfn-relative-luminance."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@by_palette
def test_text_and_marks_stand_out_from_the_paper(palette: Palette) -> None:
    # WCAG 2.2: 4.5 for text (1.4.3), 3 for what is needed to understand a graphic (1.4.11).
    assert min(contrast(palette.paper, text) for text in (palette.ink, palette.muted)) >= 4.5
    assert min(contrast(palette.paper, c) for c in (palette.closing, palette.suggestion, palette.hairline)) >= 3


@by_palette
def test_the_bar_of_closing_differs_from_the_others_without_colour(palette: Palette) -> None:
    assert contrast(palette.closing, palette.band) > 2.5


def test_the_colours_that_mean_something_are_of_the_published_set() -> None:
    # Okabe and Ito, Color Universal Design (2008), as red, green and blue of the table there.
    table = ((230, 159, 0), (86, 180, 233), (0, 158, 115), (240, 228, 66), (0, 114, 178), (213, 94, 0), (204, 121, 167))
    published = {"#{:02x}{:02x}{:02x}".format(*colour) for colour in table}

    assert {LIGHT.closing, LIGHT.suggestion, DARK.closing, DARK.suggestion} <= published


def test_a_picture_of_a_site_in_other_colours_is_drawn_on_its_paper() -> None:
    svg = draw(figure("clear closing"), palette=replace(LIGHT, paper="#fdfbf5"))

    assert b"#fdfbf5" in svg


def test_the_picture_in_the_fixtures_is_what_is_drawn_now() -> None:
    assert (FIXTURES / "clear-closing" / "figure.svg").read_bytes() == draw(figure_of(fixture("clear-closing")))
