"""Checks of a leak: one that begins, grows or lies at some of the steps changes compliance from expired volume."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

from ebbmark.physiology.findings import OWN_CHOICE, Finding, Weight
from ebbmark.physiology.patient.context import StepSeen, TrialContext, finding_at
from ebbmark.physiology.readings import Quantity

_WHOLE = 0.99  # no share of a breath that is lost may divide by nothing


def uneven_leak(context: TrialContext) -> Iterator[Finding]:
    """A leak that begins during the limb makes compliance from expired volume fall; one throughout scales it."""
    limits = context.limits
    by_volume = _controls_volume(context)
    shares = [_leak_share(one, by_volume=by_volume) for one in context.seen]
    known = [share for share in shares if share is not None]
    if not known:
        return
    began = []
    for index, share in enumerate(shares):
        before = [one for one in shares[:index] if one is not None]
        if share is None or not before or share <= limits.leak_share:
            continue
        if share - min(before) > limits.leak_change_share:
            began.append((context.seen[index], share))
    if began:
        first, share = began[0][0], max(one for _, one in began)
        last_known = max(place for place, one in enumerate(shares) if one is not None)
        ended = {} if began[-1][0] is context.seen[last_known] else {"until_cmh2o": began[-1][0].peep_cmh2o}
        yield Finding(
            "leak-began",
            Weight.LOOK_FIRST,
            {"leak_share": share, "peep_cmh2o": first.peep_cmh2o, "limit_share": limits.leak_share, **ended},
            tuple(one.peep_cmh2o for one, _ in began),
            first.start_s,
            first.sources(Quantity.TIDAL_VOLUME_EXPIRED),
            OWN_CHOICE,
            of_curve=True,
        )
        return
    yield from _growing_leak(context, shares)
    # A leak at every step, to a tenth of a per cent, so that whole millilitres do not decide.
    least = round(min(known), 3)
    if least >= limits.leak_high_share:
        none = least >= limits.leak_none_share
        slug, weight = ("leak-throughout", Weight.LOOK_FIRST) if none else ("leak-large", Weight.HIGH)
        values = {"leak_share": median(known), "limit_share": limits.leak_none_share}
        yield Finding(slug, weight, values, source=OWN_CHOICE, of_curve=True)
        return
    yield from _leak_at_steps(context, shares)


def _growing_leak(context: TrialContext, shares: Sequence[float | None]) -> Iterator[Finding]:
    """Expired volume that falls along the limb as far as the compliance that is looked for: the fall may be the leak.

    Loss is counted from the steps above closing, or above the last two. With an inspired volume, compliance as if
    nothing more were lost shows what is left of the fall: less than half is no closing. Both are this project's choice.
    """
    levels = [step.peep_cmh2o for step in context.steps]
    named = context.closing.peep_cmh2o
    place = levels.index(named) if named in levels else len(levels) - 1
    first = place if named in levels else max(1, len(levels) - 2)
    kept = [None if share is None else 1.0 - share for share in shares]
    above = [one for one in kept[:first] if one is not None]
    below = [one for one in kept[first:] if one is not None]
    if not above or not below or median(above) <= 0.0:
        return
    # Medians of both parts: neither one odd step nor a leak that ended makes compliance fall for good.
    tight, grown = median(above), 1.0 - median(below) / median(above)
    if round(grown, 3) < context.protocol.fall:
        return
    losses = [0.0 if one is None else max(0.0, 1.0 - one / tight) for one in kept]
    compliances = [step.compliance_ml_per_cmh2o for step in context.steps]
    fell = _fall_at(compliances, place)
    expired, inspired = Quantity.TIDAL_VOLUME_EXPIRED, Quantity.TIDAL_VOLUME_INSPIRED
    sent = [(row.middle(expired), row.middle(inspired)) for row in context.seen]
    both = all(back is not None and given is not None for back, given in sent[: place + 1])
    volume, (back, given) = context.steps[place].tidal_volume_ml, sent[place]
    of_expired = volume is None or abs(volume - (back or 0.0)) <= abs(volume - (given or 0.0))
    without = [one / (1.0 - min(loss, _WHOLE)) for one, loss in zip(compliances, losses, strict=True)]
    left = _fall_at(without, place)
    only_leak = both and of_expired and left < 0.5 * fell and (named is not None or fell >= context.protocol.fall)
    slug, weight = ("leak-not-closing", Weight.LOOK_FIRST) if only_leak else ("leak-grows", Weight.HIGH)
    rows = [row for row, loss in zip(context.seen, losses, strict=True) if loss >= context.protocol.fall]
    values = {
        "leak_share": max(losses[first:]),
        "limit_share": context.protocol.fall,
        "peep_cmh2o": levels[max(range(first, len(losses)), key=losses.__getitem__)],
        "fell_share": fell,
        "left_share": max(left, 0.0),
        "at_cmh2o": levels[place],
    }
    yield finding_at(slug, rows, values, OWN_CHOICE, weight)


def _fall_at(compliances: Sequence[float], place: int) -> float:
    """How far compliance lies below its best so far [1]."""
    return 1.0 - compliances[place] / max(compliances[: place + 1])


def _leak_at_steps(context: TrialContext, shares: Sequence[float | None]) -> Iterator[Finding]:
    """A leak at some of the decisive steps: compliance there may be more, by as much as was not breathed out."""
    named, limit = context.closing.peep_cmh2o, context.limits.leak_share
    upper = [place for place, step in enumerate(context.steps) if named is None or step.peep_cmh2o >= named]
    leaky = [(place, share) for place in upper if (share := shares[place]) is not None and share > limit]
    if not leaky:
        return
    compliances = [step.compliance_ml_per_cmh2o for step in context.steps]
    tight = max(compliances[place] for place in upper if place not in dict(leaky)) if len(leaky) < len(upper) else 0.0
    may_be_best = any(compliances[place] / (1.0 - min(share, _WHOLE)) > tight for place, share in leaky)
    slug, weight = ("leak-at-best", Weight.LOOK_FIRST) if may_be_best else ("leak-at-steps", Weight.HIGH)
    rows = [context.seen[place] for place, _ in leaky]
    sources = tuple(dict.fromkeys(one for row in rows for one in row.sources(Quantity.TIDAL_VOLUME_EXPIRED)))
    values = {"leak_share": max(share for _, share in leaky), "limit_share": limit}
    peeps = tuple(row.peep_cmh2o for row in rows)
    yield Finding(slug, weight, values, peeps, rows[0].start_s, sources, OWN_CHOICE, of_curve=True)


def _controls_volume(context: TrialContext) -> bool:
    """Whether a set tidal volume is in force, and was not followed by a setting of pressure control."""
    volume = context.trial.context.get(Quantity.TIDAL_VOLUME_SET.slug)
    pressure = context.trial.context.get(Quantity.PRESSURE_ABOVE_PEEP_SET.slug)
    return volume is not None and (pressure is None or volume.start_s > pressure.start_s)


def _leak_share(row: StepSeen, *, by_volume: bool) -> float | None:
    expired = row.middle(Quantity.TIDAL_VOLUME_EXPIRED)
    inspired = row.middle(Quantity.TIDAL_VOLUME_INSPIRED)
    if inspired is None and by_volume:
        inspired = row.middle(Quantity.TIDAL_VOLUME_SET)
    return None if expired is None or not inspired else 1.0 - expired / inspired
