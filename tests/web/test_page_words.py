"""How times, ages and units read on a page."""

from __future__ import annotations

from datetime import UTC
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.settings import Settings
from ebbmark.views.figure import first_sentence
from ebbmark.web.page.words import ago, clock, day_and_time, lasting, span, zone_of
from ebbmark.web.theme import units
from ebbmark.words.messages import age

AT_S = 1_772_442_245.0  # 2 March 2026, 09:04:05 UTC
DAY_S = 86_400.0


def test_times_stand_in_the_zone_of_the_site_and_name_it() -> None:
    vienna = ZoneInfo("Europe/Vienna")

    assert day_and_time(AT_S, UTC) == "2 March 2026, 09:04 UTC"
    assert day_and_time(AT_S, vienna) == "2 March 2026, 10:04 CET"
    assert clock(AT_S, vienna) == "10:04:05"


def test_a_span_names_both_days_where_they_differ() -> None:
    assert span(AT_S, AT_S + 780, UTC) == "2 March 2026, 09:04 to 09:17 UTC"
    assert span(AT_S, AT_S + DAY_S, UTC) == "2 March 2026, 09:04 UTC to 3 March 2026, 09:04 UTC"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "less than a minute"),
        (29, "less than a minute"),
        (31, "1 minute"),
        (89, "1 minute"),
        (91, "2 minutes"),
        (7169, "119 minutes"),
        (7200, "2 hours"),
        (2 * DAY_S - 1, "47 hours"),
        (2 * DAY_S, "2 days"),
    ],
)
def test_an_age_is_told_in_the_largest_unit_that_it_fills_twice(seconds: float, words: str) -> None:
    assert lasting(seconds) == words


@pytest.mark.parametrize("seconds", [0, 29, 31, 59, 61, 89, 91, 110, 149, 151, 3599, 5399])
def test_the_age_beside_a_reading_is_the_one_in_the_sentences_of_the_answer(seconds: int) -> None:
    assert lasting(seconds).replace(" minutes", " min").replace("1 minute", "1 min") == age(seconds)[: -len(" old")]


def test_a_time_ahead_of_the_clock_is_not_told_as_past() -> None:
    assert ago(AT_S + 300, AT_S) == "5 minutes ahead of this service's clock"
    assert ago(AT_S, AT_S + 300) == "5 minutes ago"


def test_a_zone_is_known_or_refused_when_the_service_starts() -> None:
    assert zone_of(Settings(time_zone="Europe/Vienna").time_zone) == ZoneInfo("Europe/Vienna")
    assert zone_of("UTC") is UTC
    for name in ("Mars/Base", "Europe", "a" * 3000, "../../etc/passwd", ""):
        with pytest.raises(ValueError, match="no zone of this name"):
            Settings(time_zone=name)


def test_figures_of_units_stand_low_and_no_line_ends_before_a_unit() -> None:
    assert units("at 12 cmH2O, SpO2 85 %") == "at 12\u00a0cmH<sub>2</sub>O, SpO<sub>2</sub> 85\u00a0%"


def test_units_escape_what_is_no_markup() -> None:
    assert units("<b>5 cmH2O") == "&lt;b&gt;5\u00a0cmH<sub>2</sub>O"


def test_the_first_sentence_ends_at_no_number_and_no_abbreviation_before_a_small_letter() -> None:
    said = "It is 8.5 cmH2O (Smith et al. say so). Look now."

    assert first_sentence(said) == "It is 8.5 cmH2O (Smith et al. say so)."
    assert first_sentence("Only one.") == "Only one."


@given(st.text(max_size=60))
def test_a_first_sentence_is_the_whole_text_or_ends_before_a_space(text: str) -> None:
    first = first_sentence(text)

    assert text == first or text.startswith(f"{first} ")
