"""The JSON files that a site signs: their schema, and how one is read.

Each name stands once and dates are year-month-day: JSON readers take the last of two equal names without a word, which
in a file of limits is a limit nobody meant. A fault names file, element, what was found and what is accepted. The same
schema is published as JSON Schema (`SCHEMAS`); ConceptMaps and ValueSets of a site are FHIR R4, and have FHIR's own.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Final, Generic, TypeVar

import msgspec
from msgspec import Meta
from msgspec import inspect as shapes

from ebbmark.physiology.before.staircase import MarginMarker


class SiteFileError(ValueError):
    """A file of the site that cannot be used; the message names the file's element and holds no patient data."""


Text = Annotated[str, Meta(pattern=r"\S")]
_Value = TypeVar("_Value")


class _Shape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One object of a file; a name that it does not have is refused."""


class _Signed(_Shape, frozen=True):
    version: Text
    signed_by: Text
    signed_on: date


class Sourced(_Shape, Generic[_Value], frozen=True):
    """A value, and the page, the table or the person that it comes from."""

    value: _Value
    source: Text


Number = Sourced[float]


class _Limits(_Shape, frozen=True):
    spo2_below_percent: Number | None = None
    mean_arterial_pressure_below_mmhg: Number | None = None
    mean_arterial_pressure_fall_mmhg: Number | None = None
    systolic_arterial_pressure_below_mmhg: Number | None = None
    heart_rate_below_per_min: Number | None = None
    heart_rate_above_per_min: Number | None = None
    peak_pressure_above_cmh2o: Number | None = None
    volume_lost_share: Number | None = None
    leak_share: Number | None = None
    oldest_reading_min: Number | None = None


class _Rhythm(_Shape, frozen=True):
    system: Text
    code: Text
    display: Text


class RhythmsGiven(_Shape, frozen=True):
    """Heart rhythms at which a trial stops where they are new."""

    codes: Annotated[list[_Rhythm], Meta(min_length=1)]
    source: Text


class StopLimitsFile(_Signed, frozen=True, kw_only=True):
    """Stop limits that a clinician of the site signed.

    A limit that is left out keeps no default: it is not checked, and every answer names it as not signed. So does a
    file that was signed before there was such a limit. Only `oldest_reading_min` keeps its default.
    """

    limits: _Limits
    rhythms_that_stop: RhythmsGiven | None = None


# Outside these ranges a slip is likelier than a choice: this project's own choice; published protocols lie within.
_Margin = Annotated[float, Meta(ge=0.0, le=6.0)]


class _Rules(_Shape, frozen=True):
    fall: Sourced[Annotated[float, Meta(ge=0.01, le=0.3)]] | None = None
    margin_cmh2o: Sourced[_Margin] | None = None
    margins_cmh2o: Sourced[Annotated[list[_Margin], Meta(min_length=1)]] | None = None
    minimum_steps: Sourced[Annotated[int, Meta(ge=3, le=20)]] | None = None
    largest_decrement_cmh2o: Sourced[Annotated[float, Meta(ge=1.0, le=10.0)]] | None = None
    longest_step_s: Sourced[Annotated[float, Meta(ge=120.0, le=7200.0)]] | None = None
    settling_s: Sourced[Annotated[float, Meta(ge=0.0, le=600.0)]] | None = None
    target_ml_per_kg: Sourced[Annotated[float, Meta(ge=4.0, le=8.0)]] | None = None
    ladder_ml_per_kg: Sourced[Annotated[list[Annotated[int, Meta(ge=4, le=8)]], Meta(min_length=1)]] | None = None
    plateau_limit_cmh2o: Sourced[Annotated[float, Meta(ge=20.0, le=35.0)]] | None = None
    driving_pressure_limit_cmh2o: Sourced[Annotated[float, Meta(ge=10.0, le=20.0)]] | None = None
    least_peep_cmh2o: Number | None = None


class _Named(_Shape, frozen=True):
    slug: Text
    version: Text
    title: Text
    citation: Text


class ProtocolGiven(_Named, frozen=True):
    """Rules for reading a trial; one that is left out is as in the default."""

    rules: _Rules = _Rules()


class _Cells(_Shape, frozen=True):
    start_cmh2o: Number | None = None
    decrement_cmh2o: Number | None = None
    lowest_cmh2o: Number | None = None
    dwell_s: Number | None = None
    margin_cmh2o: Number | None = None


class _Climb(_Shape, frozen=True):
    peep_rise_cmh2o: Number | None = None
    peep_top_cmh2o: Number | None = None
    pressure_above_peep_cmh2o: Number | None = None
    pressure_rise_cmh2o: Number | None = None
    peak_top_cmh2o: Number | None = None
    hold_s: Number | None = None


class StaircaseGiven(_Named, frozen=True):
    """How a trial is performed; a cell that is left out is not verified."""

    marker: MarginMarker = MarginMarker.COMPLIANCE
    rule: str = ""
    margin_on: str = "closing"
    reopens: bool = False
    remark: str = ""
    cells: _Cells = _Cells()
    recruitment: _Climb | None = None


class Completion(_Signed, frozen=True, kw_only=True):
    """What a site read of a published staircase that could not be read for this project, each number with its place."""

    completes: str
    cells: _Cells = _Cells()
    recruitment: _Climb = _Climb()
    reopens: Sourced[bool] | None = None


class ProtocolFile(_Shape, frozen=True):
    """The protocols and staircases that a site follows, and what it read of published ones."""

    protocols: list[ProtocolGiven] = []
    staircases: list[StaircaseGiven] = []
    completions: list[Completion] = []


class _Traced(_Shape, frozen=True):
    source: Text


class ZoneGiven(_Traced, frozen=True):
    """Where times without a zone were charted."""

    name: str


class ChartedUnit(_Traced, frozen=True):
    """What a spelling of a unit means."""

    unit: str
    ucum: str
    system: str = ""


class _ChartedNumber(_Traced, frozen=True):
    code: str
    ucum: str
    system: str = ""


class _ChartedCode(_Traced, frozen=True):
    code: str
    means: str
    system: str = ""


class _ChartedText(_Traced, frozen=True):
    text: str
    means: str


class _ChartedSystem(_Traced, frozen=True):
    system: str
    same_as: str


class ChartingTable(_Signed, frozen=True):
    """How a site charts what FHIR leaves open or its record writes otherwise; every list may be left out.

    `units` says what a spelling means, `numbers` in which unit valueInteger, valueString and valueQuantity without unit
    are under one code, `codes` and `texts` what a code without system and CodeableConcept.text mean where no coding is
    known, `time_zone` where times without a zone were charted, `systems` which code system is one of the standards
    under another name.
    """

    time_zone: ZoneGiven | None = None
    units: list[ChartedUnit] = []
    numbers: list[_ChartedNumber] = []
    codes: list[_ChartedCode] = []
    texts: list[_ChartedText] = []
    systems: list[_ChartedSystem] = []


SCHEMAS: Final[Mapping[str, type[msgspec.Struct]]] = {
    "charting": ChartingTable,
    "protocols": ProtocolFile,
    "stop-limits": StopLimitsFile,
}
"""Shape of each file of a site that is not FHIR, by the setting that names it."""


def given_in(shape: msgspec.Struct) -> dict[str, Any]:
    """What stands in an object whose elements may all be left out, by name."""
    return {name: one for name in shape.__struct_fields__ if (one := getattr(shape, name)) is not None}


_File = TypeVar("_File", bound=msgspec.Struct)
_STEPS = re.compile(r"[^.\[\]]+")
_MISSING, _UNKNOWN = (
    re.compile(r"Object missing required field `(.*)`"),
    re.compile(r"Object contains unknown field `(.*)`"),
)


def read_site_file(name: str, content: bytes, shape: type[_File], what: str) -> _File:
    """Read a file of a site.

    Args:
        what: the same for people, as "a file of stop limits".

    Raises:
        SiteFileError: it has another shape, or two entries of one name; names file, element, found and accepted.
    """
    try:
        whole = json.loads(content, object_pairs_hook=lambda pairs: _once(name, pairs))
        return msgspec.json.decode(content, type=shape)
    except SiteFileError:
        raise
    except msgspec.ValidationError as error:
        raise SiteFileError(_fault(name, str(error), whole, shapes.type_info(shape), what)) from None
    except (ValueError, RecursionError) as error:
        raise SiteFileError(f"{name} is not {what}: {error}") from None


def _once(name: str, pairs: list[tuple[str, object]]) -> dict[str, object]:
    names = [one for one, _ in pairs]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise SiteFileError(f"{name}: {twice[:60]!r} stands there twice, and only one of them can be meant")
    return dict(pairs)


def _fault(name: str, error: str, found: Any, kind: shapes.Type, what: str) -> str:  # noqa: ANN401 - any JSON
    """A fault that msgspec tells of, as element, found and accepted."""
    told, _, at = error.partition(" - at `$")
    path = at.rstrip("`").lstrip(".")
    for step in _STEPS.findall(path):
        found = found[int(step)] if isinstance(found, list) else found[step]
        kind = _below(kind, step)
    place = f"{name}: {path}" if path else name
    if missing := _MISSING.fullmatch(told):
        element = f"{path}.{missing[1]}" if path else missing[1]
        return f"{name}: {element} is missing; accepted: {_accepted(_below(kind, missing[1]))}"
    if unknown := _UNKNOWN.fullmatch(told):
        return f"{place} has no element {unknown[1][:60]!r}; accepted: {', '.join(_names(kind))}"
    if not path:
        return f"{name} is not {what}; accepted: {_accepted(kind)}"
    shown = repr(found)[:60] if not isinstance(found, (dict, list)) or not found else "an object or a list"
    return f"{place} is {shown}; accepted: {_accepted(kind)}"


def _plain(kind: shapes.Type) -> shapes.Type:
    """The kind of an element that may be left out."""
    return (
        next(one for one in kind.types if not isinstance(one, shapes.NoneType))
        if isinstance(kind, shapes.UnionType)
        else kind
    )


def _below(kind: shapes.Type, step: str) -> shapes.Type:
    kind = _plain(kind)
    if isinstance(kind, shapes.ListType):
        return kind.item_type
    assert isinstance(kind, shapes.StructType)  # noqa: S101 - no other kind holds elements here
    return next(field.type for field in kind.fields if field.encode_name == step)


def _names(kind: shapes.Type) -> list[str]:
    kind = _plain(kind)
    return [field.encode_name for field in kind.fields] if isinstance(kind, shapes.StructType) else []


def _accepted(kind: shapes.Type) -> str:
    kind = _plain(kind)
    if isinstance(kind, (shapes.FloatType, shapes.IntType)):
        whole = "a whole number" if isinstance(kind, shapes.IntType) else "a number"
        return whole if kind.ge is None else f"{whole} from {kind.ge:g} to {kind.le:g}"
    if isinstance(kind, shapes.ListType):
        return f"a list, each {_accepted(kind.item_type)}"
    if isinstance(kind, shapes.EnumType):
        return ", ".join(str(one.value) for one in kind.cls)
    if isinstance(kind, shapes.StructType):
        return f"an object with {', '.join(_names(kind))}"
    if isinstance(kind, shapes.DateType):
        return "a date such as 2026-02-01"
    return "true or false" if isinstance(kind, shapes.BoolType) else "text"
