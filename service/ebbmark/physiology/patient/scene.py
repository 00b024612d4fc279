"""The scene that every check looks at, and the two ways in which checks read its table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ebbmark.physiology.closing.estimate import Closing
from ebbmark.physiology.findings import IN_USE, Change, Finding, KnownCondition, PatientStatus, Weight
from ebbmark.physiology.patient.limits import LIMITS, CheckLimits
from ebbmark.physiology.patient.steps_seen import StepSeen
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Doubt, Quantity
from ebbmark.physiology.trial.steps import Step, Trial
from ebbmark.physiology.vasopressors import Infusion

__all__ = ["Scene", "finding_at", "rows_where"]


@dataclass(frozen=True, slots=True)
class Scene:
    """All that is known about one trial.

    Attributes:
        trial: the limb.
        closing: the estimate from the compliances alone.
        seen: what each step saw, in the order of the steps.
        protocol: the rules in force.
        conditions: those that the record says are present.
        changes: of position and mode, at any time.
        limits: of the checks.
        infusions: of vasopressors, at any time.
        status: what the record says of the patient.
        doubts: readings that were sent and cannot be used, in order of time.
    """

    trial: Trial
    closing: Closing
    seen: Sequence[StepSeen]
    protocol: Protocol
    conditions: Sequence[KnownCondition] = ()
    changes: Sequence[Change] = ()
    limits: CheckLimits = LIMITS
    infusions: Sequence[Infusion] = ()
    status: PatientStatus = IN_USE
    doubts: Sequence[Doubt] = ()

    @property
    def steps(self) -> Sequence[Step]:
        """The steps of the limb, highest PEEP first."""
        return self.trial.steps


def finding_at(
    slug: str,
    rows: Sequence[StepSeen],
    values: dict[str, float],
    source: str,
    weight: Weight = Weight.LOOK_FIRST,
) -> Finding:
    """A finding about the curve, seen at these steps."""
    return Finding(
        slug,
        weight,
        dict(values),
        tuple(one.peep_cmh2o for one in rows),
        rows[0].start_s if rows else None,
        source=source,
        of_curve=True,
    )


def rows_where(
    scene: Scene, quantity: Quantity, judge: Callable[[float, StepSeen], bool], *, last: bool = False
) -> list[StepSeen]:
    """The steps at which a quantity is as the judge says."""
    found = []
    for one in scene.seen:
        value = one.last(quantity) if last else one.middle(quantity)
        if value is not None and judge(value, one):
            found.append(one)
    return found
