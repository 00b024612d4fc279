"""Other markers of closing beside compliance, the recruitment-to-inflation ratio, and the published PEEP/FiO2 tables.

Rules, with how far each was traced: a fall of SpO2 by 1 % (Hodgson et al 2011) or 2 % (PHARLAP) from its maximum, and
the level of highest static compliance (ART), as tabled in Cochrane review CD009098, 2021. No rule for PaO2, PaCO2 or
driving pressure could be read, so theirs are this project's own and say so. A level where something first falls
("closing") and a level where something is best ("best") are never mixed.

The recruitment-to-inflation ratio says how much of the lung can be opened; it names no level. PEEP is released from
high to low in one breath; what comes out beyond the usual breath is more than inflation alone explains. Source: Chen et
al, Am J Respir Crit Care Med 2020;201:178-87, doi 10.1164/rccm.201902-0334OC (abstract read): from 15 to 5 cmH2O, 45
patients, median 0.5, range 0 to 2.0.

Two PEEP/FiO2 tables were compared in one trial (549 patients) and deaths did not differ. They are shown as the
published comparison, not as advice.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from math import inf, isfinite
from typing import Any, Final

from ebbmark.data import table
from ebbmark.physiology.after.comparison import ASSUMED_NOISE, Measure, noise_of_difference
from ebbmark.physiology.closing.result import Closing
from ebbmark.physiology.findings import SOURCES, Message, Value, joined, message
from ebbmark.physiology.gas_exchange import HIGHEST_INFORMATIVE_SPO2_PERCENT
from ebbmark.physiology.mechanics import require_at_least_zero, require_positive
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import FIO2, in_force_at
from ebbmark.physiology.trial.limb import same_setting
from ebbmark.physiology.trial.steps import Trial

MEDIAN_OF_SAMPLE: Final = 0.5  # median of the 45 patients of Chen et al 2020 [1]; not tested against any outcome

CITATION: Final = SOURCES["chen-2020"]


@dataclass(frozen=True, slots=True)
class Recruitability:
    """What one release of PEEP showed."""

    ratio: float  # recruited over inflated, per cmH2O [1]; below zero where less came out than inflation explains
    recruited_ml: float  # volume beyond what inflation at low PEEP explains [mL]
    sentence: Message
    citation: str


def recruitment_to_inflation(
    *,
    released_ml: float,
    usual_tidal_volume_ml: float,
    compliance_at_low_peep_ml_per_cmh2o: float,
    high_peep_cmh2o: float,
    low_peep_cmh2o: float,
) -> Recruitability:
    """The ratio from one release breath. Where the airway opens only above low PEEP, give that pressure for low PEEP.

    Args:
        released_ml: volume expired in the breath in which PEEP was released [mL].
        low_peep_cmh2o: after it, or the airway opening pressure if that is higher [cmH2O].

    Raises:
        ValueError: a volume or compliance not above zero, low PEEP below zero, or high PEEP not above low PEEP.

    Source: Chen et al 2020: ((released - usual) - compliance x PEEP difference) / PEEP difference / compliance.
    """
    require_positive(
        released_ml=released_ml,
        usual_tidal_volume_ml=usual_tidal_volume_ml,
        compliance_at_low_peep_ml_per_cmh2o=compliance_at_low_peep_ml_per_cmh2o,
    )
    require_at_least_zero(low_peep_cmh2o=low_peep_cmh2o)
    drop = high_peep_cmh2o - low_peep_cmh2o
    require_positive(peep_difference_cmh2o=drop)
    recruited_ml = (released_ml - usual_tidal_volume_ml) - compliance_at_low_peep_ml_per_cmh2o * drop
    ratio = recruited_ml / drop / compliance_at_low_peep_ml_per_cmh2o
    sentence = message(
        "markers.recruitment-at-or-above" if ratio >= MEDIAN_OF_SAMPLE else "markers.recruitment-below",
        ratio=f"{ratio:.2f}",
        high_cmh2o=round(high_peep_cmh2o, 1),
        low_cmh2o=round(low_peep_cmh2o, 1),
        median=MEDIAN_OF_SAMPLE,
    )
    return Recruitability(ratio, recruited_ml, sentence, CITATION)


COCHRANE: Final = SOURCES["cochrane-2021"]
OWN: Final = SOURCES["own-marker-rule"]
SAME_AS_COMPLIANCE: Final = "driving-pressure-rise"
"""At constant volume this is the same measurement as compliance, so it names no level of its own."""

VOLUME_SPREAD: Final = 0.05
"""Driving pressure is read as a marker only where tidal volume stayed within this share. This project's choice."""

_NAMES: Final = {Quantity.SPO2: "SpO2", Quantity.PAO2: "PaO2", Quantity.PACO2: "PaCO2"}
_FEWEST_LEVELS: Final = 3
_LAST_STEP_S: Final = 900.0  # how long after its start a reading still belongs to the last step; our choice
_MOVED_CMH2O: Final = 1.5  # measured PEEP that is this far away is no longer that of the step; our choice


class Meaning(Enum):
    """What the level that a marker names means."""

    CLOSING = "closing"
    BEST = "best"


@dataclass(frozen=True, slots=True)
class _Level:
    """The value of a marker at one step."""

    peep_cmh2o: float
    value: float
    sources: tuple[int, ...]
    at_s: float


@dataclass(frozen=True, slots=True)
class Marker:
    """One marker."""

    slug: str
    meaning: Meaning  # closing (first level that is worse) or best
    peep_cmh2o: float | None
    rule: Message
    citation: str
    sources: tuple[int, ...]
    sentences: tuple[Message, ...]


@dataclass(frozen=True, slots=True)
class Markers:
    """All markers of one trial, beside the estimate."""

    markers: tuple[Marker, ...]
    not_recorded: tuple[Message, ...]
    agree: bool | None  # whether all closing levels, the estimate's included, lie within one step; None below two
    sentence: Message


def read_markers(readings: Sequence[Reading], trial: Trial, closing: Closing) -> Markers:
    """Ask every marker that was recorded where it would put the closing point."""
    found = [
        *_saturation(readings, trial),
        _gas(readings, trial, Quantity.PAO2, "pao2-fall"),
        _gas(readings, trial, Quantity.PACO2, "paco2-rise"),
        _driving_pressure(trial),
        _best_compliance(trial),
    ]
    markers = tuple(one for one in found if isinstance(one, Marker))
    missing = tuple(one for one in found if isinstance(one, Message))
    agree, sentence = _agreement(markers, trial, closing)
    return Markers(markers, missing, agree, sentence)


def _saturation(readings: Sequence[Reading], trial: Trial) -> list[Marker | Message]:
    levels = _levels_of(readings, trial, Quantity.SPO2)
    if isinstance(levels, Message):
        return [levels]
    limit = HIGHEST_INFORMATIVE_SPO2_PERCENT
    high = max(level.value for level in levels) > limit
    too_high = message("marker-remark.saturation-high", limit_percent=limit) if high else None
    remarks = [_unrecorded_remark(levels, trial), too_high, _fio2_remark(readings, levels)]
    found: list[Marker | Message] = []
    for fall, work in ((1.0, SOURCES["hodgson-2011"]), (2.0, SOURCES["pharlap-2019"])):
        worse = [round(best - value, 6) >= fall for best, value in _beside_best(levels, max)]
        rule = message("marker-rule.spo2-fall", fall_percent=fall)
        found.append(_marker(f"spo2-fall-{fall:.0f}", levels, worse, rule, f"{work}; {COCHRANE}", remarks))
    return found


def _beside_best(levels: Sequence[_Level], best: Callable[[Iterable[float]], float]) -> list[tuple[float, float]]:
    """Each value beside the best so far."""
    return [(best(level.value for level in levels[: index + 1]), level.value) for index, level in enumerate(levels)]


def _gas(readings: Sequence[Reading], trial: Trial, quantity: Quantity, slug: str) -> Marker | Message:
    levels = _levels_of(readings, trial, quantity)
    if isinstance(levels, Message):
        return levels
    oxygen = quantity is Quantity.PAO2
    noise = ASSUMED_NOISE[Measure.PF_RATIO if oxygen else Measure.PACO2]
    worse = [
        (best - value if oxygen else value - best) > noise_of_difference(noise, before=best, after=value)
        for best, value in _beside_best(levels, max if oxygen else min)
    ]
    remark = _fio2_remark(readings, levels) if oxygen else message("marker-remark.carbon-dioxide")
    rule = message(f"marker-rule.{slug}")
    return _marker(slug, levels, worse, rule, OWN, [_unrecorded_remark(levels, trial), remark])


def _driving_pressure(trial: Trial) -> Marker | Message:
    volumes = [step.tidal_volume_ml for step in trial.steps if step.tidal_volume_ml is not None]
    if any(step.driving_pressure_cmh2o is None for step in trial.steps) or not volumes:
        return message("marker-missing.driving-pressure")
    if max(volumes) > (1 + VOLUME_SPREAD) * min(volumes):
        return message("marker-missing.volume-changed")
    sources = tuple(sorted({source for step in trial.steps for source in step.samples[-1].sources}))
    rule, sentence = message("marker-rule.driving-pressure-rise"), message("marker-says.driving-pressure-rise")
    return Marker(SAME_AS_COMPLIANCE, Meaning.CLOSING, None, rule, OWN, sources, (sentence,))


def _best_compliance(trial: Trial) -> Marker:
    best = max(trial.steps, key=lambda step: step.compliance_ml_per_cmh2o)
    kind = "static" if trial.kind.static else "dynamic"
    work = SOURCES["art-2017"] if trial.kind.static else SOURCES["kacmarek-2016"]
    rule = message(f"marker-rule.best-{kind}-compliance")
    sentence = message(f"marker-says.best-{kind}-compliance", peep_cmh2o=round(best.peep_cmh2o, 1))
    sources = tuple(sorted({source for sample in best.samples for source in sample.sources}))
    citation = f"{work}; {COCHRANE}"
    return Marker("best-compliance", Meaning.BEST, best.peep_cmh2o, rule, citation, sources, (sentence,))


def _marker(
    slug: str,
    levels: Sequence[_Level],
    worse: Sequence[bool],
    rule: Message,
    citation: str,
    remarks: Sequence[Message | None],
) -> Marker:
    index = first_lasting_fall(worse)
    sources = tuple(sorted({source for level in levels for source in level.sources}))
    title = message(f"marker-title.{slug}")
    said, peep = [message("marker-says.none", title=title)], None
    if index is not None:
        peep = levels[index].peep_cmh2o
        said = [message("marker-says.closing", title=title, peep_cmh2o=round(peep, 1), rule=rule)]
        if index == len(levels) - 1:
            said.append(message("marker-says.last-step"))
    every_sentence = (*said, *[remark for remark in remarks if remark is not None])
    return Marker(slug, Meaning.CLOSING, peep, rule, citation, sources, every_sentence)


def _agreement(markers: Sequence[Marker], trial: Trial, closing: Closing) -> tuple[bool | None, Message]:
    named = [
        (f"marker-title.{marker.slug}", marker.peep_cmh2o)
        for marker in markers
        if marker.meaning is Meaning.CLOSING and marker.peep_cmh2o is not None
    ]
    if closing.peep_cmh2o is not None:
        named.insert(0, ("marker.compliance", closing.peep_cmh2o))
    if len(named) < 2:
        return None, message("markers.not-compared")
    order = [step.peep_cmh2o for step in trial.steps]
    places = [min(range(len(order)), key=lambda place: abs(order[place] - peep)) for _, peep in named]
    listed = tuple(message("markers.named", title=message(title), peep_cmh2o=round(peep, 1)) for title, peep in named)
    agree = max(places) - min(places) <= 1
    return agree, message("markers.agree" if agree else "markers.disagree", listed=listed)


def _levels_of(readings: Sequence[Reading], trial: Trial, quantity: Quantity) -> list[_Level] | Message:
    """The last reading of a quantity in each step of the limb, highest PEEP first; or why it cannot be a marker.

    Source: the last reading of a step is taken because oxygenation settles most slowly. This project's choice.
    """
    starts = [step.start_s for step in trial.steps]
    end_s = max(trial.steps[-1].end_s, trial.steps[-1].start_s + _LAST_STEP_S)
    left_s = _left_at(readings, trial)
    within = sorted(
        (r for r in readings if starts[0] <= r.at_s <= end_s and r.at_s < left_s), key=lambda r: (r.start_s, r.source)
    )
    name = _NAMES.get(quantity, quantity.slug)
    last: dict[int, Reading] = {}
    for reading in within:
        if reading.quantity is quantity:
            last[bisect_right(starts, reading.at_s) - 1] = reading
    if len(last) < _FEWEST_LEVELS:
        return message("marker-missing.levels", name=name, count=len(last), least=_FEWEST_LEVELS)
    if quantity is not Quantity.PACO2 and _fio2_changed(readings, list(last.values())):
        return message("marker-missing.oxygen-changed", name=name)
    return [_Level(trial.steps[i].peep_cmh2o, last[i].value, (last[i].source,), last[i].start_s) for i in sorted(last)]


def _left_at(readings: Sequence[Reading], trial: Trial) -> float:
    """When PEEP left the last step: what is read from then on is not of it; infinite where it did not."""
    last, settings = trial.steps[-1], trial.peep_source == "set"
    quantity = Quantity.PEEP_SET if settings else Quantity.PEEP_MEASURED

    def moved(peep_cmh2o: float) -> bool:
        if settings:
            return not same_setting(peep_cmh2o, last.peep_cmh2o)
        return abs(peep_cmh2o - last.peep_cmh2o) >= _MOVED_CMH2O

    later = (reading for reading in readings if reading.quantity is quantity and reading.at_s > last.end_s)
    return min((one.at_s for one in later if moved(one.value)), default=inf)


def _fio2_changed(readings: Sequence[Reading], levels: Sequence[Reading]) -> bool:
    """Whether the marker was read at more than one FiO2, or while it was being changed."""
    oxygen = _of_oxygen(readings)
    found = [in_force_at(oxygen, FIO2, level.start_s) for level in levels]
    values = [one.reading.value for one in found if one.reading is not None]
    return any(one.contradicted for one in found) or (bool(values) and max(values) - min(values) > FIO2.same)


def _of_oxygen(readings: Sequence[Reading]) -> list[Reading]:
    return [reading for reading in readings if reading.quantity in (FIO2.setting, FIO2.measured)]


def _fio2_remark(readings: Sequence[Reading], levels: Sequence[_Level]) -> Message | None:
    """Where FiO2 is not known at some step, say that nobody knows whether it stayed the same."""
    oxygen = _of_oxygen(readings)
    known = [in_force_at(oxygen, FIO2, level.at_s).reading is not None for level in levels]
    if all(known):
        return None
    return message("marker-remark.oxygen-unknown" if not any(known) else "marker-remark.oxygen-unknown-at-some")


def _unrecorded_remark(levels: Sequence[_Level], trial: Trial) -> Message | None:
    """Where the marker was not recorded at every step, say at which: what happened there does not show."""
    seen = {level.peep_cmh2o for level in levels}
    missing = tuple(round(step.peep_cmh2o, 1) for step in trial.steps if step.peep_cmh2o not in seen)
    return message("marker-remark.not-recorded", peeps_cmh2o=missing) if missing else None


def first_lasting_fall(worse: Sequence[bool]) -> int | None:
    """Index of the first step, highest PEEP first, from which on the marker stays worse than its best so far.

    One bad step that comes back is not closing, in any marker. Source: this project's choice.
    """
    index = len(worse)
    while index > 0 and worse[index - 1]:
        index -= 1
    return index if index < len(worse) else None


_SAME_FIO2: Final = 0.005  # FiO2 is charted to the whole per cent


@dataclass(frozen=True, slots=True)
class PeepCell:
    """One column of a table."""

    fio2: float  # inspired oxygen as a fraction [1]
    lowest_cmh2o: float | None  # PEEP allowed there; None where the cell was not verified
    highest_cmh2o: float | None


@dataclass(frozen=True, slots=True)
class PeepTable:
    """One published table."""

    slug: str
    version: str
    title: str
    citation: str
    cells: tuple[PeepCell, ...]
    remark: str


@dataclass(frozen=True, slots=True)
class TableAnswer:
    """What one table would set."""

    table: str
    fio2: float
    lowest_cmh2o: float | None
    highest_cmh2o: float | None
    citation: str
    sentence: Value


def _table(row: dict[str, Any]) -> PeepTable:
    cells = tuple(PeepCell(fio2, lowest, highest) for fio2, lowest, highest in row["cells"])
    return PeepTable(**{**row, "cells": cells})


LOWER_PEEP, HIGHER_PEEP = PEEP_TABLES = tuple(map(_table, table("peep_tables")["table"]))


def look_up(published: PeepTable, fio2: float) -> TableAnswer:
    """What the table would set for this FiO2; between two of its columns both neighbours are named, nothing between.

    Raises:
        ValueError: fraction not above 0 and up to 1; a reader refuses it earlier.

    Source: the table's own citation.
    """
    if not (isfinite(fio2) and 0.0 < fio2 <= 1.0):
        raise ValueError(f"inspired oxygen must be a fraction above 0 and up to 1, got {fio2}")
    asked = {"title": published.title, "fio2": f"{fio2:.2f}"}
    cell = next((cell for cell in published.cells if abs(cell.fio2 - fio2) <= _SAME_FIO2), None)
    lowest, highest = (cell.lowest_cmh2o, cell.highest_cmh2o) if cell else (None, None)
    if cell is None:
        sentence = _without_column(published, fio2, asked)
    elif lowest is None:
        sentence, highest = message("peep-table.not-verified", **asked), None
    else:
        sets = message("peep-table.sets", peep=_peep(cell), **asked)
        sentence = joined("sentences", [sets, *([published.remark] if published.remark else [])])
    return TableAnswer(published.slug, fio2, lowest, highest, published.citation, sentence)


def _without_column(published: PeepTable, fio2: float, asked: dict[str, str]) -> Value:
    below = [cell for cell in published.cells if cell.fio2 < fio2]
    above = [cell for cell in published.cells if cell.fio2 > fio2]
    if not below:
        return message("peep-table.begins-above", first_fio2=above[0].fio2, **asked)
    neighbours = tuple(
        message("peep-table.neighbour", peep=_peep(cell), fio2=cell.fio2)
        for cell in (below[-1], above[0])
        if cell.lowest_cmh2o is not None
    )
    beside = [message("peep-table.beside", neighbours=neighbours)] if neighbours else []
    return joined("sentences", [message("peep-table.no-column", **asked), *beside])


def _peep(cell: PeepCell) -> Message:
    lowest, highest = cell.lowest_cmh2o or 0.0, cell.highest_cmh2o or 0.0
    if lowest == highest:
        return message("peep-table.one-peep", peep_cmh2o=lowest)
    return message("peep-table.range", lowest_cmh2o=lowest, highest_cmh2o=highest)
