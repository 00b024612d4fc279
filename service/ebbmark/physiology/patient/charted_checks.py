"""Checks of what is charted beside readings: Conditions, the Patient itself, position and mode, vasopressors."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ebbmark.physiology.findings import OWN_CHOICE, ChangeKind, Finding, Weight
from ebbmark.physiology.message import Value, message
from ebbmark.physiology.patient.scene import Scene
from ebbmark.physiology.patient.steps_seen import StepSeen
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.vasopressors import Rise, rises

__all__ = [
    "changed_during_limb",
    "conditions_present",
    "done_prone",
    "patient_in_use",
    "vasopressor_raised",
]


def conditions_present(scene: Scene) -> Iterator[Finding]:
    """Conditions that forbid a number, question it, or change what it means."""
    for one in scene.conditions:
        yield Finding(
            f"condition-{one.slug}",
            one.weight,
            {"words": one.words, "says": one.says},
            sources=() if one.source is None else (one.source,),
            source=one.citation,
        )


def patient_in_use(scene: Scene) -> Iterator[Finding]:
    """A patient who had died, or whose record is no longer used: the readings may be of somebody else."""
    status, end_s = scene.status, scene.steps[-1].end_s
    if status.died:
        before = status.died_s is not None and status.died_s <= end_s
        weight = Weight.LOOK_FIRST if before or status.dead else Weight.HIGH
        yield Finding("died-before-trial" if before else "patient-died", weight, source=OWN_CHOICE)
    if status.inactive:
        yield Finding("patient-inactive", Weight.HIGH, source=OWN_CHOICE)


def changed_during_limb(scene: Scene) -> Iterator[Finding]:
    """Position or ventilator mode changed while PEEP was being lowered: two lungs in one curve."""
    start_s, end_s = scene.steps[0].end_s, scene.steps[-1].end_s
    for one in scene.changes:
        if start_s <= one.at_s <= end_s and not one.first:
            slug = "position-changed-in-trial" if one.kind is ChangeKind.POSITION else "mode-changed-in-trial"
            at = next((row.peep_cmh2o for row in scene.seen if row.start_s <= one.at_s < row.until_s), None)
            values: dict[str, Value] = {"words": one.words}
            if at is not None:
                values["peep_cmh2o"] = at
            peeps = () if at is None else (at,)
            yield Finding(slug, Weight.LOOK_FIRST, values, peeps, one.at_s, (one.source,), OWN_CHOICE, of_curve=True)


def done_prone(scene: Scene) -> Iterator[Finding]:
    """A trial done in prone position holds for that position."""
    start_s, end_s = scene.steps[0].end_s, scene.steps[-1].end_s
    before = [
        one for one in scene.changes if one.kind is ChangeKind.POSITION and one.at_s < (end_s if one.first else start_s)
    ]
    latest = max(before, key=lambda one: one.at_s, default=None)
    if latest is not None and "prone" in latest.words.casefold():
        # A first value that was charted on the way down does not say since when: two lungs may lie in one curve.
        slug, weight = ("prone-since-when", Weight.HIGH) if latest.at_s > start_s else ("done-prone", Weight.LOW)
        yield Finding(slug, weight, {}, (), latest.at_s, (latest.source,), OWN_CHOICE, of_curve=weight is Weight.HIGH)


def vasopressor_raised(scene: Scene) -> Iterator[Finding]:
    """A vasopressor begun or raised during the limb: pressures after it say less of how PEEP was tolerated."""
    found: dict[str, list[tuple[int, Rise]]] = {}
    for one in rises(scene.infusions, scene.seen[0].start_s, scene.steps[-1].end_s):
        index = next((place for place, row in enumerate(scene.seen) if row.start_s <= one.at_s < row.until_s), None)
        if index is not None:
            found.setdefault(one.drug, []).append((index, one))
    words = {True: message("vasopressor-raised.needed"), None: message("vasopressor-raised.need-not-charted")}
    for drug, rising in found.items():
        needs = [_pressure_needed_it(scene, index) for index, _ in rising]
        needed = True if True in needs else None if None in needs else False
        (_, first), (_, last) = rising[0], rising[-1]
        how = "raised" if first.before else "begun"
        rates = message(f"vasopressor-raised.{how}{'-to' if last.now else ''}", before=first.before, now=last.now)
        values: dict[str, Value] = {"drug": drug, "how": rates, "needed": words.get(needed, "")}
        weight = Weight.MODERATE if needed is False else Weight.HIGH
        peeps = tuple(dict.fromkeys(scene.seen[index].peep_cmh2o for index, _ in rising))
        sources = tuple(dict.fromkeys(source for _, one in rising for source in one.sources))
        yield Finding("vasopressor-raised", weight, values, peeps, first.at_s, sources, OWN_CHOICE)


def _pressure_needed_it(scene: Scene, index: int) -> bool | None:
    """Whether arterial pressure was low, or had fallen, at a step or the one before; None where it is not known."""
    limits, known = scene.limits, False
    for quantity, low, fall in (
        (
            Quantity.MEAN_ARTERIAL_PRESSURE,
            limits.vital.mean_arterial_pressure_below_mmhg,
            limits.mean_pressure_with_fall_mmhg,
        ),
        (
            Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
            limits.vital.systolic_arterial_pressure_below_mmhg,
            limits.systolic_pressure_loss_mmhg,
        ),
    ):
        near = _least(scene.seen[max(index - 1, 0) : index + 1], quantity)
        if near is None:
            continue
        known = True
        highest = max(value for row in scene.seen[: index + 1] if (value := row.middle(quantity)) is not None)
        if near < low or highest - near >= fall:
            return True
    return False if known else None


def _least(rows: Sequence[StepSeen], quantity: Quantity) -> float | None:
    return min((row.by_quantity[quantity].least for row in rows if quantity in row.by_quantity), default=None)
