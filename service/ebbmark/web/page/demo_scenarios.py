"""Which invented patients does the demo show, each at which instant?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["SCENARIOS", "SPEED", "Scenario"]

SPEED: Final = 8
"""How many seconds of a running demo pass in one."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """One invented patient at one instant, or over a stretch of time.

    Attributes:
        slug: its name in addresses.
        title: a few words.
        sentence: what there is to see.
        file: which of the embedded requests.
        now: the instant that counts as now, or at which a running demo starts.
        until: what is charted later is not known yet, and a running demo stops; empty for now.
        running: whether time passes.
        first: which page to open.
    """

    slug: str
    title: str
    sentence: str
    file: str
    now: str
    until: str = ""
    running: bool = False
    first: str = ""


SCENARIOS: Final = (
    Scenario(
        "clear-closing",
        "A clear closing pressure",
        "PEEP lowered from 20 to 8 cmH2O, three charted rows per step; compliance falls for good near the end.",
        "clear-closing",
        "2026-03-02T09:40:00Z",
    ),
    Scenario(
        "never-reached",
        "Closing not reached",
        "PEEP lowered from 18 to 8 cmH2O; compliance never falls, so no PEEP is suggested.",
        "never-reached",
        "2026-03-03T14:10:00Z",
    ),
    Scenario(
        "noisy-record",
        "A noisy record",
        "Whole numbers, local codes, a cough, a correction and an entry in error.",
        "noisy-record",
        "2026-03-04T22:55:00Z",
    ),
    Scenario(
        "before-a-trial",
        "Before a trial",
        "No trial yet: what the plan would be, if a clinician decides on one.",
        "two-days",
        "2026-03-05T08:52:00Z",
        "2026-03-05T08:52:00Z",
    ),
    Scenario(
        "running",
        "A running trial",
        f"Watch the next-step answers change as readings arrive; time passes {SPEED} times as fast.",
        "two-days",
        "2026-03-05T09:04:40Z",
        "2026-03-05T09:13:50Z",
        True,
        "running",
    ),
    Scenario(
        "stop-criterion",
        "A running trial that meets a stop criterion",
        f"Oxygen saturation falls below its limit on the way down; time passes {SPEED} times as fast.",
        "stop-criterion",
        "2026-03-05T09:07:40Z",
        "2026-03-05T09:13:50Z",
        True,
        "running",
    ),
    Scenario(
        "second-trial",
        "A second trial the next day",
        "The latest trial beside the one of the day before.",
        "two-days",
        "2026-03-06T10:00:00Z",
    ),
)
