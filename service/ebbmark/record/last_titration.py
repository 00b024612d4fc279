"""Which answer of ours for the latest trial stands in the record, and what PEEP did it suggest?

The question whether a titration still holds is about the suggestion that people have before their eyes, so that the one
in the record counts before one that is computed again. It counts only for the trial that it was made of: where the
readings hold a later one, nothing is taken from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.writing.instants import instant
from ebbmark.physiology.trial.steps import Trial
from ebbmark.record.asked import Asked
from ebbmark.record.client import RecordClient
from ebbmark.record.earlier import Earlier, TrialOfRecord, answers_in_record
from ebbmark.record.reading import ReadFailure, Waiting

__all__ = ["LastTitration", "last_titration"]

LOOKED_BACK_S = 7 * 24 * 3600.0
"""How far back an answer is looked for where no period is named [s]; our choice."""

_KIND = "suggested-peep"


@dataclass(frozen=True, slots=True)
class LastTitration:
    """One answer of ours that stands in the record.

    Attributes:
        start_s: first moment of its limb [s since 1970-01-01T00:00:00Z].
        end_s: last moment of its limb [s since 1970-01-01T00:00:00Z].
        suggested_peep_cmh2o: None where it suggested none.
        reference: of the suggestion, or of the closing pressure where there is none.
        signed: whether a clinician has signed any of it.
    """

    start_s: float
    end_s: float
    suggested_peep_cmh2o: float | None
    reference: str
    signed: bool

    def is_of(self, trial: Trial | None) -> bool:
        """Whether it was made of this trial; with no trial among the readings there is no other to confuse it with."""
        return trial is None or (trial.steps[0].start_s <= self.end_s and self.start_s <= trial.steps[-1].end_s)

    @property
    def sentence(self) -> str:
        """What is told of it."""
        signed = "signed by a clinician" if self.signed else "not signed yet"
        if self.suggested_peep_cmh2o is None:
            return f"The answer that stands in the record for this trial suggested no PEEP: {self.reference}, {signed}."
        return (
            f"The suggested PEEP of {self.suggested_peep_cmh2o:g} cmH2O is that of the answer that stands in the "
            f"record: {self.reference}, {signed}."
        )


async def last_titration(
    asked: Asked, *, before_s: float, record: RecordClient, waiting: Waiting
) -> LastTitration | ReadFailure | None:
    """Find the answer for the latest trial that ended before an instant; None where the record has none.

    Args:
        asked: patient and time.
        before_s: when PEEP was set after the trial, or now [s since 1970-01-01T00:00:00Z].
        record: the client.
        waiting: how time passes between attempts.
    """
    from_s = asked.start_s if asked.period_given else min(asked.start_s, before_s - LOOKED_BACK_S)
    trial = TrialOfRecord(asked.patient, instant(from_s), instant(before_s))
    found = await answers_in_record(trial, "", record=record, waiting=waiting)
    if isinstance(found, ReadFailure):
        return found
    standing = [one for one in map(_of, found.answers) if one is not None and one[1].end_s <= before_s]
    return max(standing, key=lambda one: one[0])[1] if standing else None


def _of(earlier: Earlier) -> tuple[tuple[float, bool, str], LastTitration] | None:
    """The answer, and what it is ordered by: the later limb, then what is signed, then what was written later."""
    closing = earlier.closing
    start_s, end_s = map(seconds, closing.period)
    if not isinstance(start_s, float) or not isinstance(end_s, float) or not earlier.stands:
        return None
    suggestion = next((one for one in earlier.results if one.kind == _KIND), None)
    value = suggestion.resource.get("valueQuantity") if suggestion is not None else None
    number = value.get("value") if isinstance(value, dict) else None
    peep = float(number) if isinstance(number, (int, float, Decimal)) else None
    reference = suggestion.reference if suggestion is not None and peep is not None else closing.reference
    found = LastTitration(start_s, end_s, peep, reference, earlier.signed)
    return (end_s, earlier.signed, closing.written), found
