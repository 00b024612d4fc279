"""What can be worth saying? One value per kind of finding."""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.fhir.problems import Problem
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.recommendation import Recommendation
from ebbmark.fhir.writing.statements import Answer
from ebbmark.web.hooks.orders import PeepOrder

__all__ = ["Finding", "Obstacle", "OrderDiffers", "StopMet", "TrialRead"]


@dataclass(frozen=True, slots=True)
class StopMet:
    """A stop criterion was met in a trial in progress."""

    answer: Answer


@dataclass(frozen=True, slots=True)
class TrialRead:
    """A trial was read.

    Attributes:
        recommendation: the answer.
        age_s: how long ago the trial ended [s].
        now_cmh2o: PEEP that is set now; None where the trial ended with it, or it is not known.
        news: whether it ended so lately that it is news.
        held_back: why no order is drafted or changed from it; empty where the whole patient speaks for it.
        against: whether the patient speaks against it, so that no order is compared with it either.
        doubt: why it may no longer describe this lung, or that nobody knows; empty where it is news or still holds.
    """

    recommendation: Recommendation
    age_s: float
    now_cmh2o: float | None = None
    news: bool = True
    doubt: str = ""
    held_back: str = ""
    against: bool = False


@dataclass(frozen=True, slots=True)
class OrderDiffers:
    """Draft orders set another PEEP than the trial suggests, or one that cannot be compared.

    Attributes:
        read: the trial.
        orders: those that differ or cannot be compared, the furthest from the suggestion first.
    """

    read: TrialRead
    orders: tuple[PeepOrder, ...]


@dataclass(frozen=True, slots=True)
class Obstacle:
    """A trial is there and cannot be read, for want of something that a person can put right."""

    problems: tuple[Problem, ...]
    request: Request


Finding = StopMet | TrialRead | OrderDiffers | Obstacle
"""At most one leaves as a card."""
