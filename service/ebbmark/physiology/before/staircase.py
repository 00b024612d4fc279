"""Staircases as numbers, from `data/staircases.toml`, and whether one can be laid out from the settings of now.

Each number carries its source. What was only remembered is left empty, and a protocol with an empty number that a
staircase needs is not laid out. Whoever has read the paper can complete it, within the ranges that the file gives.

Plateau pressure is what a lung feels; peak pressure at constant flow lies above it by flow times resistance. A limit of
plateau pressure is held against the end-inspiratory pressure, a ceiling of peak pressure against the peak.
Source: equation of motion, textbook; the guidelines and trials in `data/evidence.toml`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import Enum
from math import floor, isfinite
from typing import Any, Final

from ebbmark.data import table
from ebbmark.physiology.findings import SOURCES, Message, SourceStatus, Value, joined, message
from ebbmark.physiology.mechanics import Control
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.stop.limits import StopLimits

STAIRCASE_TABLE: Final[dict[str, Any]] = table("staircases")
"""The staircases that are known by name, and the ranges that a site keeps to, as they stand in their file."""


class MarginMarker(Enum):
    """What a protocol watches on the way down."""

    COMPLIANCE = "compliance"
    STATIC_COMPLIANCE = "static-compliance"
    DYNAMIC_COMPLIANCE = "dynamic-compliance"
    SATURATION = "spo2"
    OXYGEN_AND_CARBON_DIOXIDE = "pao2-plus-paco2"
    CT = "ct"


@dataclass(frozen=True, slots=True)
class Cell:
    """One number of a protocol."""

    value: float | None  # None exactly where it was not verified
    traced: SourceStatus
    source: str


NOT_READ: Final = Cell(None, SourceStatus.NOT_VERIFIED, SOURCES["not-read"])
"""What a number is that a protocol does not name: a staircase that needs it is not laid out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecruitmentRules:
    """How a protocol opens the lung before the way down."""

    peep_rise_cmh2o: Cell = NOT_READ
    peep_top_cmh2o: Cell = NOT_READ
    pressure_above_peep_cmh2o: Cell | None = NOT_READ  # while PEEP rises; None of the whole cell: as it is now
    pressure_rise_cmh2o: Cell = NOT_READ  # inspiratory pressure above PEEP up per step at the top; a cell of 0 for none
    peak_top_cmh2o: Cell = NOT_READ
    hold_s: Cell = NOT_READ  # at each step of the way up


@dataclass(frozen=True, slots=True, kw_only=True)
class StaircaseRules:
    """One protocol, as numbers."""

    slug: str
    version: str
    title: str
    citation: str
    recruitment: RecruitmentRules | None
    start_cmh2o: Cell = NOT_READ
    decrement_cmh2o: Cell = NOT_READ
    lowest_cmh2o: Cell = NOT_READ
    dwell_s: Cell = NOT_READ
    marker: MarginMarker
    rule: str  # how the marker names a level, in plain words; empty where that was not verified
    margin_cmh2o: Cell = NOT_READ
    margin_on: str  # "closing" or "best": which level the margin is added to; the two are never mixed
    reopens: bool | None  # whether the lung is opened again before PEEP is set; None where that was not verified
    remark: str = ""


_RANGES: Final[dict[str, list[float]]] = STAIRCASE_TABLE["ranges"]
"""What a site may write at all; outside these ranges a slip is likelier than a choice. This project's choice."""


def _words(name: str) -> Message:
    """What a cell of this name holds."""
    return message(f"staircase-number.{name}")


def unverified(rules: StaircaseRules, *, with_recruitment: bool, rise_asked_for: bool = False) -> dict[str, Message]:
    """The numbers that a staircase would need and that nobody has verified: names of their cells, with words.

    Args:
        rise_asked_for: whether the size of the PEEP steps up was asked for, so that the protocol's is not needed.
    """
    own = {field.name for field in fields(StaircaseRules)}
    return {
        f"{'cells' if name in own else 'recruitment'}.{name}": words
        for name, words, cell in named_cells(rules, with_recruitment=with_recruitment)
        if cell.value is None and not (rise_asked_for and name == "peep_rise_cmh2o")
    }


def named_cells(rules: StaircaseRules, *, with_recruitment: bool) -> tuple[tuple[str, Message, Cell], ...]:
    """Every number that a staircase needs: name of its cell, words, cell; those of the way up first."""
    owners: list[StaircaseRules | RecruitmentRules] = [rules]
    if with_recruitment and rules.recruitment is not None:
        owners.insert(0, rules.recruitment)
    return tuple(
        (field.name, _words(field.name), cell)
        for owner in owners
        for field in fields(owner)
        if field.name in _RANGES
        and field.name != "margin_cmh2o"
        and isinstance(cell := getattr(owner, field.name), Cell)
    )


_TOLD: Final = (SourceStatus.VERIFIED, SourceStatus.SECOND_HAND, SourceStatus.SITE)
"""How the number of these was obtained is stated; the others' source states it."""


def origin_words(cell: Cell) -> Value:
    """Where a number comes from, or why there is none."""
    if cell.traced not in _TOLD:
        return cell.source
    return message(f"staircase.{cell.traced.value}", source=cell.source)


def origins_of(rules: StaircaseRules, *, with_recruitment: bool, rise_cmh2o: float | None = None) -> Value:
    """Say of each number of a staircase where it was read, or who chose it."""
    sentences: list[Value] = [
        message(
            # Without recruitment the way down starts no higher than the plateau limit allows.
            f"staircase.number{'-at-most' if name == 'start_cmh2o' and not with_recruitment else ''}",
            number=words,
            value=cell.value,
            unit="s" if name.endswith("_s") else "cmH2O",
            origin=origin_words(cell),
        )
        for name, words, cell in named_cells(rules, with_recruitment=with_recruitment)
        if cell.value is not None and not (name == "peep_rise_cmh2o" and rise_cmh2o is not None)
    ]
    if with_recruitment and rise_cmh2o is not None:
        sentences.append(message("staircase.asked-for", number=_words("peep_rise_cmh2o"), value=rise_cmh2o))
    margin = rules.margin_cmh2o
    if margin.value is not None:
        origin = origin_words(margin)
        sentences.append(message(f"staircase.margin-on-{rules.margin_on}", value=margin.value, origin=origin))
    numbers = message("staircase.numbers", title=rules.title, listed=joined("semicolons", sentences))
    unread = [message("staircase.reopening-unread")] if with_recruitment and rules.reopens is None else []
    return joined("sentences", [numbers, *unread])


def faults_of_rules(rules: StaircaseRules) -> tuple[Message, ...]:
    """What a rule set must not contain; empty where it may be used.

    Source: the accepted ranges are this project's own choice.
    """
    faults = [
        message("staircase.without-text", name=name)
        for name in ("slug", "version", "title", "citation")
        if not getattr(rules, name).strip()
    ]
    if rules.margin_on not in ("closing", "best"):
        faults.append(message("staircase.margin-on-what", found=repr(rules.margin_on)))
    for name, words, cell in named_cells(rules, with_recruitment=True):
        if (cell.value is None) != (cell.traced is SourceStatus.NOT_VERIFIED):
            faults.append(message("staircase.value-or-not-verified", number=words))
        elif cell.value is not None:
            faults += _out_of_range(name, cell.value)
        if not cell.source.strip():
            faults.append(message("staircase.without-source", number=words))
    if rules.margin_cmh2o.value is not None:
        faults += _out_of_range("margin_cmh2o", rules.margin_cmh2o.value)
    start, lowest_peep = rules.start_cmh2o.value, rules.lowest_cmh2o.value
    if start is not None and lowest_peep is not None and start <= lowest_peep:
        faults.append(message("staircase.not-down"))
    return tuple(faults)


def _out_of_range(name: str, value: float) -> list[Message]:
    lowest, highest = _RANGES[name]
    if isfinite(value) and lowest <= value <= highest:
        return []
    return [message("staircase.out-of-range", number=_words(name), value=value, lowest=lowest, highest=highest)]


_TEXTS: Final = ("slug", "version", "title", "citation", "rule", "margin_on", "remark")


def _cell(row: dict[str, Any]) -> Cell | None:
    if row.get("as_now"):
        return None
    traced = SourceStatus(row["traced"])
    return Cell(
        row.get("value"),
        traced,
        SOURCES["common-practice"] if traced is SourceStatus.COMMON_PRACTICE else row["source"],
    )


def _cells(row: dict[str, Any], kind: type) -> dict[str, Any]:
    names = {field.name for field in fields(kind)}
    return {name: _cell(value) for name, value in row.items() if name in names and isinstance(value, dict)}


def _staircase(row: dict[str, Any]) -> StaircaseRules:
    row = dict(row)
    recruitment = row.pop("recruitment", None)
    return StaircaseRules(
        **{name: row[name] for name in _TEXTS if name in row},
        **_cells(row, StaircaseRules),
        marker=MarginMarker(row["marker"]),
        reopens=row.get("reopens"),
        recruitment=None if recruitment is None else RecruitmentRules(**_cells(recruitment, RecruitmentRules)),
    )


STAIRCASES: Final = tuple(map(_staircase, STAIRCASE_TABLE["staircase"]))
_BY_SLUG: Final = {rules.slug: rules for rules in STAIRCASES}
DEFAULT_STAIRCASE: Final = _BY_SLUG["common-practice"]


def staircase_for(slug: str) -> StaircaseRules | None:
    """Find one protocol by its name; None where there is none."""
    return _BY_SLUG.get(slug)


@dataclass(frozen=True, slots=True)
class Settings:
    """Where this patient is now."""

    peep_cmh2o: float
    pressure_above_peep_cmh2o: float  # inspiratory pressure set above PEEP; in volume control the driving pressure
    pbw_kg: float
    compliance_ml_per_cmh2o: float | None = None
    resistive_cmh2o: float | None = None  # peak less end-inspiratory pressure; None where not known
    control: Control | None = None


def peak_words(settings: Settings, highest_cmh2o: float, *, recruiting: bool) -> Message:
    """The expected peak pressure beside the highest end-inspiratory pressure, to be read on in one sentence."""
    resistive = settings.resistive_cmh2o
    fixed = recruiting or settings.control is Control.PRESSURE
    if resistive is None:
        return message("plan.peak-unknown" if fixed else "plan.peak-unknown-and-compliance")
    follows = "" if fixed else message("plan.if-compliance-stays")
    if resistive == 0.0:
        return message("plan.peak-the-same", follows=follows)
    peak = round(highest_cmh2o + resistive, 6)
    return message("plan.peak", peak_cmh2o=peak, resistive_cmh2o=resistive, follows=follows)


def peak_warnings(settings: Settings, limits: StopLimits, recruiting: bool) -> tuple[Value, ...]:
    """What must be said where peak pressure is not known, or the steps are of another mode than the present one."""
    said: list[Value] = []
    ceiling = limits.peak_pressure_above_cmh2o
    if settings.resistive_cmh2o is None:
        unheld = [] if ceiling is None else [message("plan-warning.peak-limit-unheld", limit_cmh2o=ceiling.value)]
        said.append(joined("sentences", [message("plan-warning.peak-unknown"), *unheld]))
    if settings.control is Control.VOLUME and not recruiting:
        said.append(message("plan-warning.volume-control"))
    if recruiting and settings.control is not Control.PRESSURE:
        mode = "volume-control" if settings.control is Control.VOLUME else "unknown-mode"
        said.append(message(f"plan-warning.way-up-in-{mode}"))
    return tuple(said)


HIGH_PRESSURE_CMH2O: Final = 35.0
"""Airway pressure from which the European guideline speaks of high pressure; one minute or longer is prolonged."""


def warnings_of_plan(rules: StaircaseRules, highest: float, high_s: float, *, recruiting: bool) -> tuple[Value, ...]:
    """What must be known of a staircase before it is followed, gravest first."""
    warnings: list[Value] = []
    if recruiting:
        values = {"highest_cmh2o": highest, "high_cmh2o": HIGH_PRESSURE_CMH2O, "minutes": high_s / 60}
        warnings.append(message("plan-warning.recruitment-chosen", **values))
    if rules.remark:
        warnings.append(message("plan-warning.remark", title=rules.title, remark=rules.remark))
    return tuple(warnings)


SMALLEST_RISE_CMH2O: Final = 2.0
LARGEST_RISE_CMH2O: Final = 5.0
SMALLEST_PRESSURE_ABOVE_CMH2O: Final = 5.0
"""Less pressure above PEEP than this is no breath to plan with. This project's choice."""


class Variant(Enum):
    """Whether the lung is opened with high pressure first."""

    DECREMENTAL_ONLY = "decremental-only"
    WITH_RECRUITMENT = "with-recruitment"


class NoPlanReason(Enum):
    """Why no plan is laid out."""

    CONTRAINDICATED = "contraindicated"
    NOT_ACKNOWLEDGED = "not-acknowledged"
    NOT_VERIFIED = "protocol-not-verified"
    NO_RECRUITMENT_IN_PROTOCOL = "no-recruitment-in-protocol"
    RISE_OUT_OF_RANGE = "rise-out-of-range"
    ALREADY_ABOVE_LIMIT = "already-above-limit"
    NO_ROOM = "no-room"
    ABOVE_STOP_LIMIT = "above-stop-limit"


@dataclass(frozen=True, slots=True)
class NoPlan:
    """No plan, and why; with the numbers that nobody has verified, by the names of their cells."""

    reason: NoPlanReason
    sentence: Value
    missing: Mapping[str, Message] = field(default_factory=dict)


def refusal(
    settings: Settings,
    rules: StaircaseRules,
    variant: Variant,
    rise_cmh2o: float | None,
    protocol: Protocol,
) -> NoPlan | None:
    """The first reason why the staircase cannot be laid out from these settings, or None."""
    recruiting = variant is Variant.WITH_RECRUITMENT
    if recruiting and rules.recruitment is None:
        return NoPlan(
            NoPlanReason.NO_RECRUITMENT_IN_PROTOCOL, message("plan-refusal.no-recruitment", title=rules.title)
        )
    missing = unverified(rules, with_recruitment=recruiting, rise_asked_for=rise_cmh2o is not None)
    if missing:
        listed = joined("commas", tuple(missing.values()))
        sentence = message("plan-refusal.not-verified", title=rules.title, listed=listed, citation=rules.citation)
        return NoPlan(NoPlanReason.NOT_VERIFIED, sentence, missing)
    if rise_cmh2o is not None and not SMALLEST_RISE_CMH2O <= rise_cmh2o <= LARGEST_RISE_CMH2O:
        return NoPlan(NoPlanReason.RISE_OUT_OF_RANGE, message("plan-refusal.rise-out-of-range", rise_cmh2o=rise_cmh2o))
    return _without_room_above(settings, rules) if recruiting else _without_room(settings, rules, protocol)


def _without_room_above(settings: Settings, rules: StaircaseRules) -> NoPlan | None:
    """With recruitment: resistance may leave no breath between the highest PEEP and the protocol's peak."""
    assert rules.recruitment is not None  # noqa: S101 - refused before
    top, peak = _value(rules.recruitment.peep_top_cmh2o.value), _value(rules.recruitment.peak_top_cmh2o.value)
    resistive = settings.resistive_cmh2o or 0.0
    if peak - resistive - top >= SMALLEST_PRESSURE_ABOVE_CMH2O:
        return None
    sentence = message("plan-refusal.no-breath-at-top", resistive_cmh2o=resistive, peak_cmh2o=peak, top_cmh2o=top)
    return NoPlan(NoPlanReason.NO_ROOM, sentence)


def _without_room(settings: Settings, rules: StaircaseRules, protocol: Protocol) -> NoPlan | None:
    limit = protocol.plateau_limit_cmh2o
    peak = settings.peep_cmh2o + settings.pressure_above_peep_cmh2o
    if peak > limit:
        sentence = message(
            "plan-refusal.already-above-limit",
            peak_cmh2o=peak,
            peep_cmh2o=settings.peep_cmh2o,
            above_cmh2o=settings.pressure_above_peep_cmh2o,
            limit_cmh2o=limit,
        )
        return NoPlan(NoPlanReason.ALREADY_ABOVE_LIMIT, sentence)
    top = highest_start_cmh2o(settings, rules, protocol)
    lowest, down = _value(rules.lowest_cmh2o.value), _value(rules.decrement_cmh2o.value)
    count = floor((top - lowest) / down + 1e-9) + 1
    if count < protocol.minimum_steps:
        sentence = message(
            "plan-refusal.too-few-steps",
            above_cmh2o=settings.pressure_above_peep_cmh2o,
            limit_cmh2o=limit,
            top_cmh2o=top,
            lowest_cmh2o=lowest,
            count=max(count, 0),
            least=protocol.minimum_steps,
        )
        return NoPlan(NoPlanReason.NO_ROOM, sentence)
    return None


def highest_start_cmh2o(settings: Settings, rules: StaircaseRules, protocol: Protocol) -> float:
    """As high as the staircase starts, as long as peak pressure stays within the limit; never below where PEEP is.

    Source: this project's choice: a start above the plateau limit would be a high-pressure step of its own.
    """
    room = floor(protocol.plateau_limit_cmh2o - settings.pressure_above_peep_cmh2o + 1e-9)
    return max(min(_value(rules.start_cmh2o.value), room), settings.peep_cmh2o)


def _value(value: float | None) -> float:
    if value is None:
        raise ValueError("an unverified number was used; such a protocol is refused earlier")
    return value
