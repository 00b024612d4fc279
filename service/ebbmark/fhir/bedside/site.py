"""What has this site decided for itself? Its codes of conditions, protocols and signed stop limits, in one value."""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.fhir.bedside.condition_lookup import BUILT_IN, ConditionCodes
from ebbmark.physiology.before.published_staircases import COMMON_PRACTICE, STAIRCASES
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, PROTOCOLS, Protocol
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, StopLimits

__all__ = ["NO_SITE", "Misread", "Site"]


class Misread(ValueError):
    """A file of the site that cannot be used; the message names the file's element and holds no patient data."""


@dataclass(frozen=True, slots=True)
class Site:
    """The rules in force here.

    Attributes:
        condition_codes: which codes stand for which condition.
        protocols: rules for reading a trial; the first is the default.
        staircases: how a trial is performed; the first is the default.
        stop_limits: signed by a clinician of the site, or the defaults.
    """

    condition_codes: ConditionCodes = BUILT_IN
    protocols: tuple[Protocol, ...] = PROTOCOLS
    staircases: tuple[StaircaseRules, ...] = STAIRCASES
    stop_limits: StopLimits = DEFAULT_STOP_LIMITS

    @property
    def default_protocol(self) -> Protocol:
        """Applied where the request names none."""
        return DEFAULT_PROTOCOL

    @property
    def default_staircase(self) -> StaircaseRules:
        """Laid out where the request names none."""
        return COMMON_PRACTICE


NO_SITE = Site()
"""What holds where a site has configured nothing."""
