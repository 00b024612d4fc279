"""What SMART scopes allow here."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.web.token_check import EVALUATE, WRITE_BACK, Permission, allows


@pytest.mark.parametrize(
    "scopes",
    [
        "system/Observation.rs",
        "system/Observation.cruds",
        "system/*.rs",
        "system/*.cruds",
        "user/Observation.rs",
        "system/Observation.r system/Observation.s",
        "openid system/Observation.rs launch",
        "system/Observation.read",
        "system/*.read",
        "system/Observation.*",
        "system/*.*",
    ],
)
def test_these_allow_to_evaluate(scopes: str) -> None:
    assert allows(scopes.split(), EVALUATE)


@pytest.mark.parametrize(
    "scopes",
    [
        "",
        "system/Observation.r",
        "system/Observation.s",
        "system/Observation.c",
        "system/Observation.sr",
        "system/Observation.",
        "system/Observation",
        "system/Observations.rs",
        "system/observation.rs",
        "system/Patient.rs",
        "patient/Observation.rs",
        "patient/*.cruds",
        "admin/Observation.rs",
        "system/Observation.rs?category=vital-signs",
        "system/Observation.write",
        "xsystem/Observation.rs",
        "system/Observation.rsx",
        "SYSTEM/Observation.rs",
        "*",
        "system/*",
    ],
)
def test_these_do_not(scopes: str) -> None:
    assert not allows(scopes.split(), EVALUATE)


@pytest.mark.parametrize(
    "scope", ["system/Observation.c", "system/Observation.cud", "system/Observation.write", "user/*.*"]
)
def test_these_allow_to_write_back(scope: str) -> None:
    assert allows([scope], WRITE_BACK)


@pytest.mark.parametrize("scope", ["system/Observation.rs", "system/Observation.u", "system/Observation.read"])
def test_these_do_not_allow_to_write_back(scope: str) -> None:
    assert not allows([scope], WRITE_BACK)


LETTERS = st.sets(st.sampled_from("cruds")).map(lambda some: "".join(one for one in "cruds" if one in some))


@given(LETTERS, LETTERS.filter(bool))
def test_a_scope_allows_just_what_its_letters_say(held: str, needed: str) -> None:
    allowed = allows([f"system/Observation.{held}"], Permission("Observation", needed))

    assert allowed == set(needed).issubset(held)


def test_a_permission_is_named_by_the_scope_to_ask_for() -> None:
    assert (EVALUATE.scope, WRITE_BACK.scope) == ("system/Observation.rs", "system/Observation.c")
