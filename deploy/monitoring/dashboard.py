"""Writes the Grafana dashboard beside this file, so that its panels name only metrics that exist.

Usage: python deploy/monitoring/dashboard.py
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

FILE = Path(__file__).with_name("dashboard.json")

PANELS = (
    # title, unit, queries (legend, expression)
    ("Requests per second, by operation", "reqps", [("{{operation}}", "sum by (operation) (rate(ebbmark_requests_total[5m]))")]),
    ("Requests per second, by status", "reqps", [("{{status}}", "sum by (status) (rate(ebbmark_requests_total[5m]))")]),
    (
        "Time to answer",
        "s",
        [
            (
                f"{share:.0%} within",
                f"histogram_quantile({share}, sum by (le) (rate(ebbmark_request_duration_seconds_bucket[5m])))",
            )
            for share in (0.5, 0.95, 0.99)
        ],
    ),
    ("Answers, by verdict", "short", [("{{operation}} {{verdict}}", "sum by (operation, verdict) (increase(ebbmark_answers_total[1h]))")]),
    ("Refusals, by reason", "short", [("{{reason}}", "sum by (reason) (increase(ebbmark_refusals_total[1h]))")]),
    ("Callers not let in, by reason", "short", [("{{reason}}", "sum by (reason) (increase(ebbmark_sign_in_refusals_total[1h]))")]),
    ("Calls to other systems, by outcome", "reqps", [("{{host}} {{outcome}}", "sum by (host, outcome) (rate(ebbmark_outgoing_calls_total[5m]))")]),
    (
        "Time of calls to other systems, 95 % within",
        "s",
        [("{{host}}", "histogram_quantile(0.95, sum by (host, le) (rate(ebbmark_outgoing_call_duration_seconds_bucket[5m])))")],
    ),
    ("Retries, by reason", "short", [("{{reason}}", "sum by (reason) (increase(ebbmark_retries_total[1h]))")]),
    ("Write-backs, by outcome", "short", [("{{outcome}}", "sum by (outcome) (increase(ebbmark_write_backs_total[1h]))")]),
    (
        "Bridge: messages by verdict, readings, rows left",
        "short",
        [
            ("{{verdict}}", "sum by (verdict) (increase(ebbmark_bridge_messages_total[1h]))"),
            ("readings", "sum(increase(ebbmark_bridge_readings_total[1h]))"),
            ("left: {{reason}}", "sum by (reason) (increase(ebbmark_bridge_rows_left_total[1h]))"),
        ],
    ),
    ("Cards, by finding", "short", [("{{finding}}", "sum by (finding) (increase(ebbmark_cards_total[1h]))")]),
    ("Feedback on cards", "short", [("{{outcome}} {{reason}}", "sum by (outcome, reason) (increase(ebbmark_card_feedback_total[1h]))")]),
    (
        "In progress",
        "short",
        [
            ("requests", "sum(ebbmark_requests_in_flight)"),
            ("answers computed or queued", "sum(ebbmark_work_waited_for)"),
            ("calls to other systems", "sum(ebbmark_outgoing_calls_in_flight)"),
            ("connections to the record, {{state}}", "sum by (state) (ebbmark_record_connections)"),
        ],
    ),
    (
        "Other systems answer",
        "short",
        [("record, {{instance}}", "ebbmark_record_reachable"), ("shared store, {{instance}}", "ebbmark_shared_store_reachable")],
    ),
    (
        "AuditEvents and log lines that went elsewhere",
        "short",
        [
            ("AuditEvents in the log stream only", "sum(increase(ebbmark_audit_fallbacks_total[1h]))"),
            ("log lines not taken", "sum(increase(ebbmark_log_faults_total[1h]))"),
        ],
    ),
    (
        "Memory and open files",
        "short",
        [
            ("MiB {{instance}}", 'process_resident_memory_bytes{job="ebbmark"} / 1048576'),
            ("files {{instance}}", 'process_open_fds{job="ebbmark"}'),
        ],
    ),
)  # fmt: skip


def dashboard() -> dict[str, Any]:
    """The dashboard, three panels in a row."""
    source = {"type": "prometheus", "uid": "${source}"}
    panels = [
        {
            "id": number + 1,
            "type": "timeseries",
            "title": title,
            "datasource": source,
            "gridPos": {"x": number % 3 * 8, "y": number // 3 * 8, "w": 8, "h": 8},
            "fieldConfig": {"defaults": {"unit": unit, "min": 0}, "overrides": []},
            "targets": [
                {"refId": chr(65 + place), "expr": expression, "legendFormat": legend, "datasource": source}
                for place, (legend, expression) in enumerate(queries)
            ],
        }
        for number, (title, unit, queries) in enumerate(PANELS)
    ]
    variable = {"name": "source", "type": "datasource", "query": "prometheus", "label": "Prometheus"}
    return {
        "uid": "ebbmark",
        "title": "Ebbmark",
        "schemaVersion": 39,
        "tags": ["ebbmark"],
        "time": {"from": "now-6h", "to": "now"},
        "refresh": "1m",
        "templating": {"list": [variable]},
        "panels": panels,
    }


if __name__ == "__main__":
    FILE.write_text(json.dumps(dashboard(), indent=1) + "\n", encoding="utf-8")
