"""Where the answer is indeterminate, it says which one measurement would have told most; never a higher pressure."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmark.physiology.closing.estimator import estimate_closing
from ebbmark.physiology.closing.result import Closing, CurveStep, Measurement, Verdict
from ebbmark.words.messages import spell

PEEPS = (22.0, 20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0)
FALLS_AT_THE_END = (38.0, 38.6, 39.0, 39.2, 39.1, 39.0, 37.6, 35.0)


def read(compliances: tuple[float, ...], *, noise: float, readings: int, seed: int, dynamic: bool = False) -> Closing:
    factors = np.exp(np.random.default_rng(seed).normal(0.0, noise, (len(compliances), readings)))
    steps = [
        CurveStep(peep, tuple((value * row).tolist()))
        for peep, value, row in zip(PEEPS, compliances, factors, strict=True)
    ]
    return estimate_closing(steps, dynamic=dynamic)


@given(st.integers(0, 2**16), st.sampled_from((1, 2, 3)), st.floats(0.01, 0.08), st.booleans())
@settings(max_examples=60, deadline=None)
def test_what_would_help_is_named_only_where_nothing_is_answered_and_never_the_highest_step(
    seed: int, readings: int, noise: float, dynamic: bool
) -> None:
    closing = read(FALLS_AT_THE_END, noise=noise, readings=readings, seed=seed, dynamic=dynamic)

    if closing.would_help is None:
        return
    assert closing.verdict is Verdict.INDETERMINATE
    assert closing.would_help.gain > 0.0
    assert closing.would_help.peep_cmh2o in (None, *PEEPS[1:])


def test_a_step_that_reads_half_way_between_is_the_one_to_read_again() -> None:
    """Closing lies at 12 or at 10, as the one noisy reading at 12 is believed or not."""
    curve = ((38.0, 38.1, 37.9), (38.6, 38.5, 38.7), (39.0, 38.9, 39.1), (39.2, 39.1, 39.3), (39.0, 38.9, 39.1))
    steps = [CurveStep(peep, row) for peep, row in zip(PEEPS, (*curve, (37.0,), (33.0, 33.1, 32.9)), strict=False)]

    closing = estimate_closing([*steps, CurveStep(8.0, (29.0, 29.1, 28.9))], dynamic=False)

    if closing.verdict is Verdict.INDETERMINATE:
        assert closing.would_help is not None
        assert closing.would_help.peep_cmh2o == 12.0
    else:
        assert closing.peep_cmh2o in (12.0, 10.0)


def test_the_sentence_tells_what_and_orders_nothing() -> None:
    reasons = [
        spell(closing.why)
        for seed in range(30)
        if (closing := read(FALLS_AT_THE_END, noise=0.04, readings=2, seed=seed)).would_help is not None
    ]

    assert reasons
    for reason in reasons:
        assert "By the model, what would have told most is" in reason


def test_on_peak_pressures_plateau_pressures_may_be_what_would_tell_most() -> None:
    kinds = {
        closing.would_help.measurement
        for seed in range(30)
        if (closing := read(FALLS_AT_THE_END, noise=0.03, readings=3, seed=seed, dynamic=True)).would_help is not None
    }

    assert Measurement.PLATEAU in kinds


def test_a_plateau_is_never_asked_for_where_there_are_plateaus() -> None:
    for seed in range(20):
        closing = read(FALLS_AT_THE_END, noise=0.03, readings=2, seed=seed)
        assert closing.would_help is None or closing.would_help.measurement is not Measurement.PLATEAU
