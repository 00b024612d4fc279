"""No two sentences of one answer contradict: every fixture, every dangerous trial, and trials drawn at random.

The pairs that must not stand together are this project's choice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pytest

from drawn_trials import DRAWN
from ebbmark.physiology.advice import Advice
from ebbmark.physiology.closing.result import Closing, Evidence, Verdict
from ebbmark.physiology.findings import Finding, Weight
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.words.titration import in_short
from patients import Values, titrated
from trials import START_S, STEP_S, reading

Quantities = dict[Quantity, Values]


_CAME_BACK = "that is not closing."


def contradictions(closing: Closing, advice: Advice, findings: Sequence[Finding]) -> Iterator[str]:
    head, number = in_short(advice, closing).line, advice.suggested_peep_cmh2o
    texts = [advice.rationale, *(caution.text for caution in advice.cautions if caution.of_this_patient)]
    everything = " ".join((head, *texts))
    if number is not None and "o PEEP is suggested" in everything:
        yield "a suggestion, and none"
    if number is None and ("Suggested PEEP" in head or "at the suggested" in everything.lower()):
        yield "no suggestion, and one"
    if closing.peep_cmh2o is None and "fell for good at the step" in everything:
        yield "no closing pressure, and one"
    if (
        closing.peep_cmh2o is None
        and "not closing." in everything.replace(_CAME_BACK, "")
        and closing.verdict is Verdict.INDETERMINATE
    ):
        yield "nothing can be said of closing, and something is"
    chosen = next((row for row in advice.what_if if row.margin_cmh2o == advice.margin_cmh2o), None)
    if chosen is not None and chosen.tested and number is None and not chosen.limits_exceeded:
        yield "withheld, and no limit exceeded"
    if number is not None and chosen is not None and chosen.limits_met:
        yield "suggested, and not tolerated"
    looks = [finding for finding in findings if finding.weight is Weight.LOOK_FIRST]
    if bool(looks) != advice.look_first or (looks and number is not None):
        yield "look first, and a number"
    if closing.evidence is Evidence.STRONG and any(
        finding.of_curve and finding.weight is not Weight.LOW for finding in findings
    ):
        yield "strong, and in doubt"
    low, high = closing.interval_cmh2o or (0.0, 1.0)
    if low == high and "anywhere between" in everything:
        yield "an interval of one step, and anywhere between two"
    slugs = [caution.slug for caution in advice.cautions if caution.of_this_patient]
    if "disconnection" in slugs and "circuit-opened" in slugs:
        yield "one event told twice"
    if any(text.count("look at the patient first") > 1 for text in map(str.lower, texts)):
        yield "the same call twice"


def of(found: Titration) -> list[str]:
    return list(contradictions(found.closing, found.advice, found.findings))


@pytest.mark.parametrize("name", sorted(DRAWN))
def test_the_drawn_answers_tell_one_story(name: str) -> None:
    drawn = DRAWN[name]()

    assert list(contradictions(drawn.titration.closing, drawn.titration.advice, drawn.titration.findings)) == []


def ordinary(seed: int, *, wild: bool = False) -> Titration:
    """One invented trial: a lung that closes gradually or at once, charted with noise, in a stable patient.

    A wild one has, besides, vital signs and ventilator values anywhere.
    """
    rng = np.random.default_rng([2_026, seed])
    count = int(rng.integers(6, 10))
    peeps = [float(6 + 2 * (count - 1 - place)) for place in range(count)]
    best, at = float(rng.uniform(32, 55)), int(rng.integers(count // 2, count))
    loss = float(rng.uniform(0.06, 0.14))
    curve = [best * (1 - 0.02 * max(2 - place, 0)) * (1 - loss) ** max(place - at + 1, 0) for place in range(count)]
    volume = 400.0
    readings: list[Reading] = []
    for place, (peep, compliance) in enumerate(zip(peeps, curve, strict=True)):
        changed_s = START_S + place * STEP_S
        readings.append(reading(Quantity.PEEP_SET, peep, changed_s, 1000 + place))
        for row in range(3):
            expired = round(volume * float(rng.normal(0.99, 0.01)))
            plateau = round(peep + volume / compliance + float(rng.normal(0, 0.2)), 1)
            values = {
                Quantity.TIDAL_VOLUME_EXPIRED: expired,
                Quantity.TIDAL_VOLUME_INSPIRED: round(volume * float(rng.normal(1.0, 0.01))),
                Quantity.PLATEAU_PRESSURE: plateau,
                Quantity.PEAK_PRESSURE: plateau + round(float(rng.normal(6, 0.5)), 1),
                Quantity.PEEP_MEASURED: round(peep + float(rng.normal(0.1, 0.3)), 1),
                Quantity.RESPIRATORY_RATE_SET: 22.0,
                Quantity.RESPIRATORY_RATE: 22.0 + float(rng.integers(0, 2)),
                Quantity.SPO2: round(float(rng.normal(93.0 - 0.3 * place, 0.8))),
                Quantity.MEAN_ARTERIAL_PRESSURE: round(float(rng.normal(74, 4))),
                Quantity.SYSTOLIC_ARTERIAL_PRESSURE: round(float(rng.normal(112, 5))),
                Quantity.HEART_RATE: round(float(rng.normal(92, 6))),
                Quantity.FIO2_SET: 0.6,
            }
            if wild:
                values[Quantity.MEAN_ARTERIAL_PRESSURE] = round(float(rng.uniform(45, 90)))
                values[Quantity.SPO2] = round(float(rng.uniform(78, 99)))
                values[Quantity.RESPIRATORY_RATE] = float(rng.choice([22.0, 22.0, 34.0]))
                values[Quantity.PEEP_MEASURED] = max(peep + float(rng.normal(0, 2)), 0.0)
            readings += [
                reading(quantity, value, changed_s + 50 + 25 * row, 10 * place + row)
                for quantity, value in values.items()
            ]
    return titrated(readings=readings, height_cm=172.0)


def test_two_hundred_ordinary_trials_tell_one_story_and_at_most_one_in_twenty_has_a_high_caution() -> None:
    found = [ordinary(seed) for seed in range(200)]

    assert [told for one in found for told in of(one)] == []
    high = [one for one in found if any(c.of_this_patient and c.severity.value == "high" for c in one.advice.cautions)]
    assert len(high) <= 10
    assert sum(one.advice.suggested_peep_cmh2o is not None for one in found) > 50


def test_every_refusal_says_in_short_what_was_found() -> None:
    found = [*(drawn().titration for drawn in DRAWN.values()), *(ordinary(seed, wild=True) for seed in range(200, 260))]
    refused = [one for one in found if one.advice.suggested_peep_cmh2o is None]
    reasons = [in_short(one.advice, one.closing).reasons for one in refused]

    assert len(refused) > 20
    assert not [reason for each in reasons for reason in each if "full answer says why" in reason]
    assert max(len(reason.split()) for one in refused for reason in one.advice.because) <= 25


def test_a_hundred_wild_trials_tell_one_story_each() -> None:
    found = [ordinary(seed, wild=True) for seed in range(100)]

    assert [told for one in found for told in of(one)] == []
    assert any(one.look_first for one in found)
