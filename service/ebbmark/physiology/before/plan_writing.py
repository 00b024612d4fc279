"""What is written down at each step of a planned trial, what may be seen there, and what would it mean?

Source: common practice, no published source, and what `evidence` lists.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ebbmark.physiology.before.plan_steps import Control, Draft, Phase, PlanStep, Settings
from ebbmark.physiology.before.staircase import Marker, StaircaseRules
from ebbmark.physiology.protocols import Protocol

__all__ = ["written_out"]

_BY_COMPLIANCE: Final = (Marker.COMPLIANCE, Marker.STATIC_COMPLIANCE, Marker.DYNAMIC_COMPLIANCE)

RECORD_BEFORE: Final = (
    "set PEEP, plateau and peak pressure, expired tidal volume, FiO2, SpO2, mean arterial pressure, heart rate; a "
    "blood gas where one is to be compared later",
)
RECORD_UP: Final = ("SpO2, mean arterial pressure, heart rate and rhythm, peak pressure, expired tidal volume",)
RECORD_DOWN: Final = (
    "set PEEP",
    "twice, the first no sooner than 30 s after the change: plateau (or peak) pressure and expired tidal volume",
    "SpO2, mean arterial pressure, heart rate and rhythm",
)
RECORD_AFTER: Final = (
    "set PEEP, plateau and peak pressure, expired tidal volume, FiO2, SpO2, mean arterial pressure, heart rate; a "
    "blood gas once oxygenation has settled",
)


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
            record=_RECORD[draft.phase],
            expect=_TOP if draft.phase is Phase.DESCENT and draft.peep_cmh2o == first_down else _EXPECT[draft.phase],
            remark=_remark(draft, settings, protocol),
            pressure_is_set=recruiting or settings.control is not Control.VOLUME,
        )
        for number, draft in enumerate((now, *drafts), start=1)
    ]
    return (*steps, _last(len(steps) + 1, settings, rules, protocol, recruiting))


def _last(number: int, settings: Settings, rules: StaircaseRules, protocol: Protocol, recruiting: bool) -> PlanStep:
    target_ml = protocol.target_ml_per_kg * settings.pbw_kg
    level = "closing pressure" if rules.margin_on == "closing" else "level of best compliance"
    margin = rules.margin_cmh2o.value
    if margin is None:
        peep = f"PEEP above the {level}; how far above, the protocol's source was not read for."
    else:
        peep = f"PEEP {margin:g} cmH2O above the {level} ({rules.margin_cmh2o.source})."
    other = (
        ""
        if rules.margin_on == "closing" and rules.marker in _BY_COMPLIANCE
        else " What is answered about the trial here goes by closing, by a lasting fall of compliance, and adds a "
        "margin of its own: it may name another PEEP than this protocol does."
    )
    again = (
        "" if recruiting else " Nothing is opened again in this variant: what closed on the way down may stay closed."
    )
    expect = (
        f"{peep}{other} Tidal volume {protocol.target_ml_per_kg:g} mL/kg predicted body weight: {target_ml:.0f} mL; "
        f"plateau pressure within {protocol.plateau_limit_cmh2o:g} cmH2O.{again}"
    )
    return PlanStep(number, Phase.SET, None, None, None, None, 0.0, target_ml, RECORD_AFTER, expect, "")


def _volume_ml(draft: Draft, settings: Settings) -> float | None:
    compliance = settings.compliance_ml_per_cmh2o
    return None if compliance is None else compliance * draft.pressure_above_peep_cmh2o


def _tidy(pressure_cmh2o: float) -> float:
    """Without what binary fractions leave behind: pressures are read to a tenth at most."""
    return round(pressure_cmh2o, 6)


def _remark(draft: Draft, settings: Settings, protocol: Protocol) -> str:
    reached = _tidy(draft.peep_cmh2o + draft.pressure_above_peep_cmh2o)
    parts = []
    if reached > protocol.plateau_limit_cmh2o:
        parts.append(f"End-inspiratory pressure {reached:g} cmH2O is above {protocol.plateau_limit_cmh2o:g} cmH2O.")
    volume, largest = _volume_ml(draft, settings), max(protocol.ladder_ml_per_kg) * settings.pbw_kg
    if volume is not None and volume > largest:
        parts.append(
            f"If compliance stayed as it is, tidal volume would be about {volume:.0f} mL "
            f"({volume / settings.pbw_kg:.1f} mL/kg), above {max(protocol.ladder_ml_per_kg):g} mL/kg."
        )
    return " ".join(parts)


_TOP: Final = (
    "The top of the way down. Compliance may be low here from overdistension; if it rises at the next steps, that is "
    "relief, not closing."
)
_EXPECT: Final = {
    Phase.BEFORE: "The state to compare with afterwards. Nothing is changed yet.",
    Phase.UP: "Blood pressure may fall as PEEP rises. Every stop criterion applies.",
    Phase.RECRUITMENT: (
        "Blood pressure may fall and rhythm may change; compliance may fall from overdistension. Every stop criterion "
        "applies."
    ),
    Phase.DESCENT: (
        "Compliance that rises or stays: not closed yet. A fall that is still there at the next step: closing has "
        "been passed, and lower steps add little. A fall that comes back is not closing."
    ),
    Phase.REOPENING: (
        "As at the top of the way up: this is part of the chosen protocol. Every stop criterion applies; whether to "
        "do it after what was seen on the way is for the clinician."
    ),
}
_RECORD: Final = {
    Phase.BEFORE: RECORD_BEFORE,
    Phase.UP: RECORD_UP,
    Phase.RECRUITMENT: RECORD_UP,
    Phase.DESCENT: RECORD_DOWN,
    Phase.REOPENING: RECORD_UP,
}
