"""What is written down at each step of a planned trial, what may be seen there, and what would it mean?

Source: common practice, no published source, and what `evidence` lists.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ebbmark.physiology.before.plan_steps import Control, Draft, Phase, PlanStep, Settings
from ebbmark.physiology.before.staircase import Marker, StaircaseRules
from ebbmark.physiology.message import Message, Value, joined, message
from ebbmark.physiology.protocols import Protocol

__all__ = ["written_out"]

_BY_COMPLIANCE: Final = (Marker.COMPLIANCE, Marker.STATIC_COMPLIANCE, Marker.DYNAMIC_COMPLIANCE)


def written_out(
    drafts: Sequence[Draft], settings: Settings, rules: StaircaseRules, protocol: Protocol, *, recruiting: bool
) -> tuple[PlanStep, ...]:
    """Number the steps, with the one before and the one after, and say what to record and to expect.

    Args:
        drafts: up, down and, where chosen, up again.
        settings: now.
        rules: for margin and marker.
        protocol: limits and target volume.
        recruiting: whether the variant with recruitment was chosen.
    """
    now = Draft(Phase.BEFORE, settings.peep_cmh2o, settings.pressure_above_peep_cmh2o, 0.0)
    first_down = next(draft.peep_cmh2o for draft in drafts if draft.phase is Phase.DESCENT)
    steps = [
        PlanStep(
            number=number,
            phase=draft.phase,
            peep_cmh2o=draft.peep_cmh2o,
            pressure_above_peep_cmh2o=draft.pressure_above_peep_cmh2o,
            end_inspiratory_cmh2o=_tidy(draft.peep_cmh2o + draft.pressure_above_peep_cmh2o),
            peak_cmh2o=None
            if settings.resistive_cmh2o is None
            else _tidy(draft.peep_cmh2o + draft.pressure_above_peep_cmh2o + settings.resistive_cmh2o),
            dwell_s=draft.dwell_s,
            expected_tidal_volume_ml=_volume_ml(draft, settings),
            record=message(f"plan-step.record-{_RECORDED_AS.get(draft.phase, draft.phase).value}"),
            expect=message(f"plan-step.expect-{'top' if _is_top(draft, first_down) else draft.phase.value}"),
            remark=_remark(draft, settings, protocol),
            pressure_is_set=recruiting or settings.control is not Control.VOLUME,
        )
        for number, draft in enumerate((now, *drafts), start=1)
    ]
    return (*steps, _last(len(steps) + 1, settings, rules, protocol, recruiting))


def _last(number: int, settings: Settings, rules: StaircaseRules, protocol: Protocol, recruiting: bool) -> PlanStep:
    target_ml = protocol.target_ml_per_kg * settings.pbw_kg
    level = message("plan-step.closing" if rules.margin_on == "closing" else "plan-step.best")
    margin = rules.margin_cmh2o.value
    expected: list[Value] = [
        message("plan-step.margin-unread", level=level)
        if margin is None
        else message("plan-step.margin", margin_cmh2o=margin, level=level, source=rules.margin_cmh2o.source)
    ]
    if rules.margin_on != "closing" or rules.marker not in _BY_COMPLIANCE:
        expected.append(message("plan-step.other-rule"))
    expected.append(
        message(
            "plan-step.target",
            ml_per_kg=protocol.target_ml_per_kg,
            volume_ml=round(target_ml),
            limit_cmh2o=protocol.plateau_limit_cmh2o,
        )
    )
    if not recruiting:
        expected.append(message("plan-step.nothing-reopened"))
    record, expect = message("plan-step.record-set"), joined("sentences", expected)
    return PlanStep(number, Phase.SET, None, None, None, None, 0.0, target_ml, record, expect, "")


def _volume_ml(draft: Draft, settings: Settings) -> float | None:
    compliance = settings.compliance_ml_per_cmh2o
    return None if compliance is None else compliance * draft.pressure_above_peep_cmh2o


def _tidy(pressure_cmh2o: float) -> float:
    """Without what binary fractions leave behind: pressures are read to a tenth at most."""
    return round(pressure_cmh2o, 6)


def _is_top(draft: Draft, first_down_cmh2o: float) -> bool:
    return draft.phase is Phase.DESCENT and draft.peep_cmh2o == first_down_cmh2o


def _remark(draft: Draft, settings: Settings, protocol: Protocol) -> Value:
    reached = _tidy(draft.peep_cmh2o + draft.pressure_above_peep_cmh2o)
    parts: list[Message] = []
    if reached > (limit := protocol.plateau_limit_cmh2o):
        parts.append(message("plan-step.above-limit", reached_cmh2o=reached, limit_cmh2o=limit))
    volume, largest = _volume_ml(draft, settings), max(protocol.ladder_ml_per_kg)
    if volume is not None and volume > largest * settings.pbw_kg:
        per_kg = f"{volume / settings.pbw_kg:.1f}"
        parts.append(
            message("plan-step.large-volume", volume_ml=round(volume), ml_per_kg=per_kg, largest_ml_per_kg=largest)
        )
    return joined("sentences", parts)


_RECORDED_AS: Final = {Phase.RECRUITMENT: Phase.UP, Phase.REOPENING: Phase.UP}
"""What is recorded on the way up is the same, however the lung is opened."""
