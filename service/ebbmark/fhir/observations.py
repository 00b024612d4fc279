"""Which readings and heights do these Observations hold, and which do not count?

The loop of `read_observations` is the hot path of the service: it takes the plain case (one final value with a known
code, unit and time) with a few table look-ups, and hands everything else to `admit`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ebbmark.fhir.admission import admit
from ebbmark.fhir.collected import Collected, Context, Moment, QuickPlan
from ebbmark.fhir.duplicates import settle_duplicates
from ebbmark.fhir.request import Source
from ebbmark.fhir.versions import Received, newest_of
from ebbmark.physiology.readings import Reading

__all__ = ["read_observations"]


def read_observations(items: Sequence[Received], context: Context) -> Collected:
    """Read every Observation once.

    Args:
        items: as received, in order.
        context: code table, instant that counts as now, and what the Bundle says of devices.
    """
    collected = Collected()
    identities = [item[0].id for item in items if item[0].id]
    if len(set(identities)) < len(identities):
        items, collected.ignored = newest_of(items)
    readings, sources, used = collected.readings, collected.sources, collected.used
    plans: Mapping[tuple[str, str, str, str, str], QuickPlan] = collected.plans
    times: Mapping[str, Moment] = collected.times
    subjects, devices, encounters = collected.subjects, collected.plain_devices, collected.encounters
    for item in items:
        observation, path, full_url = item
        quantity = observation.valueQuantity
        subject = observation.subject
        device = observation.device
        if (
            quantity is not None
            and observation.status == "final"
            and len(codings := observation.code.coding) == 1
            and (value := quantity.value) is not None
            and (moment := times.get(observation.effectiveDateTime)) is not None
            and (subject is None or subject.reference in subjects)
            and (device is None or device.reference in devices)
            and not (
                observation.component
                or quantity.comparator
                or observation.dataAbsentReason
                or observation.modifierExtension
                or observation.implicitRules
                or observation.effectivePeriod
                or observation.effectiveInstant
                or observation.effectiveTiming
                or observation.valueString
                or observation.valueCodeableConcept
                or observation.valueInteger
                or observation.valueBoolean is not None
                or observation.valueRange
                or observation.valueRatio
                or observation.valueSampledData
                or observation.valueTime
                or observation.valueDateTime
                or observation.valuePeriod
            )
        ):
            coding = codings[0]
            plan = plans.get((coding.system, coding.code, quantity.system, quantity.code, quantity.unit))
            if plan is not None:
                meaning, multiply, divide, low, high, variant, slug, unit = plan
                ours = value * multiply / divide
                if low <= ours <= high:
                    start, end, text = moment
                    if variant:
                        collected.variants[len(readings)] = variant
                    readings.append(Reading(meaning, ours, start, end, len(sources)))
                    meta = observation.meta
                    identity = observation.id
                    sources.append(
                        Source(
                            path,
                            f"Observation/{identity}/_history/{meta.versionId}"
                            if identity and meta is not None and meta.versionId
                            else (f"Observation/{identity}" if identity else full_url),
                            f"{slug}|{ours!r}|{unit}|{text}",
                        )
                    )
                    used.append(item)
                    encounters.add(observation.encounter.reference if observation.encounter else "")
                    continue
        admit(item, context, collected)
    settle_duplicates(collected)
    return collected
