"""Alert rules and dashboard name metrics that the service has, with values that their labels take."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml
from monitoring.dashboard import FILE, dashboard

from ebbmark.fhir.problems import ProblemKind
from ebbmark.record.write_back import WriteState
from ebbmark.telemetry.measured import Measured

MONITORING = Path(__file__).parents[2] / "deploy" / "monitoring"
GUIDE = Path(__file__).parents[2]
RULES = [
    rule for group in yaml.safe_load((MONITORING / "alerts.yaml").read_text())["groups"] for rule in group["rules"]
]
OURS = {one.metric for one in Measured} | {"ebbmark_record_connections"}
OURS |= {f"{one.metric}_bucket" for one in Measured if one.kind == "histogram"}


def named_in(expression: str) -> set[str]:
    return set(re.findall(r"\bebbmark_\w+", expression))


@pytest.mark.parametrize("rule", RULES, ids=[rule["alert"] for rule in RULES])
def test_an_alert_asks_for_metrics_that_exist_and_leads_to_a_place_in_the_runbook(
    rule: dict[str, dict[str, str]],
) -> None:
    file, _, anchor = rule["annotations"]["runbook"].partition("#")
    headings = re.findall(r"^#+ (.+)$", (GUIDE / file).read_text(encoding="utf-8"), re.MULTILINE)
    anchors = {re.sub(r"[^\w -]", "", heading).strip().lower().replace(" ", "-") for heading in headings}

    assert named_in(str(rule["expr"])) <= OURS
    assert anchor in anchors


def test_values_that_alerts_ask_for_are_values_that_labels_take() -> None:
    asked = {match for rule in RULES for match in re.findall(r'(reason|outcome)=~"([^"]+)"', rule["expr"])}
    taken = {"reason": {one.slug for one in ProblemKind}, "outcome": {one.value for one in WriteState}}

    assert asked
    assert all(set(values.split("|")) <= taken[label] for label, values in asked)


def test_the_dashboard_is_what_its_source_says_and_shows_every_metric() -> None:
    shown = named_in(FILE.read_text(encoding="utf-8"))

    assert json.loads(FILE.read_text(encoding="utf-8")) == dashboard(), "run python deploy/monitoring/dashboard.py"
    assert shown <= OURS
    assert {re.sub("_bucket$", "", one) for one in shown} == {re.sub("_bucket$", "", one) for one in OURS}


def test_the_rules_are_valid_and_fire_when_they_should() -> None:
    if shutil.which("promtool") is None:
        pytest.skip("promtool is not on this machine; deploy/container/check.sh brings it")
    checked = subprocess.run(
        ["promtool", "check", "rules", "alerts.yaml"], cwd=MONITORING, capture_output=True, check=False
    )
    tested = subprocess.run(
        ["promtool", "test", "rules", "alerts-test.yaml"], cwd=MONITORING, capture_output=True, check=False
    )

    assert checked.returncode == 0, checked.stderr
    assert tested.returncode == 0, tested.stdout + tested.stderr
