"""What was granted, and what lacks for a purpose."""

from __future__ import annotations

import pytest

from ebbmark.web.token_check import NEEDED_TO_READ, NEEDED_TO_WRITE, USUAL_SCOPE, missing, with_launch


def test_what_is_asked_for_suffices_for_everything() -> None:
    assert missing(USUAL_SCOPE, (*NEEDED_TO_READ, *NEEDED_TO_WRITE)) == ()


@pytest.mark.parametrize(
    ("scope", "lacking"),
    [
        ("", ("patient/Patient.r", "patient/Observation.rs")),
        ("patient/Patient.r patient/Observation.r", ("patient/Observation.s",)),
        ("patient/Patient.r patient/Observation.r patient/Observation.s", ()),
        ("patient/*.rs", ()),
        ("user/Patient.read system/Observation.read", ()),
        ("patient/*.write", ("patient/Patient.r", "patient/Observation.rs")),
        ("patient/*.*", ()),
        ("patient/Patient.sr patient/Observation.rs", ("patient/Patient.r",)),
        ("patient/Patient.r patient/Observation.rs?code=1", ("patient/Observation.rs",)),
        ("Patient/Patient.r patient/observation.rs", ("patient/Patient.r", "patient/Observation.rs")),
    ],
)
def test_what_lacks_for_reading_is_named(scope: str, lacking: tuple[str, ...]) -> None:
    assert missing(scope, NEEDED_TO_READ) == lacking


def test_reading_alone_is_not_writing() -> None:
    assert missing("patient/*.rs", NEEDED_TO_WRITE) == (
        "patient/Observation.cu",
        "patient/GuidanceResponse.cu",
        "patient/DetectedIssue.cu",
        "patient/Device.c",
        "patient/Provenance.c",
    )


@pytest.mark.parametrize(
    ("configured", "standalone", "asked"),
    [
        ("openid patient/*.rs", False, "launch openid patient/*.rs"),
        ("openid patient/*.rs", True, "launch/patient openid patient/*.rs"),
        ("launch openid", False, "launch openid"),
        ("launch openid launch/patient", True, "launch/patient openid"),
        ("launch/patient openid", False, "launch launch/patient openid"),
    ],
)
def test_the_scope_of_the_launch_fits_its_kind(configured: str, standalone: bool, asked: str) -> None:
    assert with_launch(configured, standalone=standalone) == asked
