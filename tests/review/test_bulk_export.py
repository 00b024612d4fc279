"""The bulk export against a small server that follows HL7 FHIR Bulk Data Access 2.0.0 (asynchronous request pattern).

What the server does by the standard: 202 with Content-Location at the kick-off, 202 with Retry-After while it works, a
manifest with `transactionTime`, `requiresAccessToken`, `output` and `error`, 404 for what it has forgotten, DELETE.
"""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.review.bulk_export import STATE, Exported, ExportStopped, bulk_export

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
TOKEN = "token-of-a-test"  # noqa: S105


@dataclass(slots=True)
class BulkRecord:
    """What the server holds, and what it was asked."""

    base: str = ""
    files: dict[str, str] = field(default_factory=dict)
    errors: dict[str, str] = field(default_factory=dict)
    polls: list[dict[str, str]] = field(default_factory=list)
    """Headers of a 202 for each poll before the manifest."""
    faults: list[int] = field(default_factory=list)
    """Statuses of the next polls, each with an OperationOutcome that calls it transient."""
    kick_off: int = 202
    deletion: int = 202
    requires_token: bool = True
    forgotten: set[str] = field(default_factory=set)
    cut: list[str] = field(default_factory=list)
    """Files whose next download breaks off in the middle."""
    counts: dict[str, int] = field(default_factory=dict)
    asked: list[tuple[str, str, dict[str, str]]] = field(default_factory=list)
    exports: int = 0
    elsewhere: str = ""

    def manifest(self) -> dict[str, object]:
        under = self.elsewhere or f"{self.base}/files"
        listed = [
            {
                "type": name.split("-")[0],
                "url": f"{under}/{self.exports}/{name}",
                "count": self.counts.get(name, text.count("\n")),
            }
            for name, text in self.files.items()
        ]
        errors = [{"type": "OperationOutcome", "url": f"{under}/{self.exports}/{name}"} for name in self.errors]
        return {
            "transactionTime": "2026-03-02T11:59:00Z",
            "request": f"{self.base}/Patient/$export",
            "requiresAccessToken": self.requires_token,
            "output": listed,
            "error": errors,
        }


class _Door(BaseHTTPRequestHandler):
    state: BulkRecord
    protocol_version = "HTTP/1.1"

    def log_message(self, format: str, *args: object) -> None:
        return

    def do_DELETE(self) -> None:
        self._noted()
        self._answer(self.state.deletion)

    def do_GET(self) -> None:
        self._noted()
        state, path = self.state, urlsplit(self.path).path
        if path.endswith("/$export"):
            state.exports += state.kick_off == 202
            self._answer(state.kick_off, b"{}", {"Content-Location": f"{state.base}/status/{state.exports}"})
        elif "/status/" in path:
            if path.rpartition("/")[2] in state.forgotten:
                self._answer(404)
            elif state.faults:
                issue = {"severity": "error", "code": "transient"}
                outcome = json.dumps({"resourceType": "OperationOutcome", "issue": [issue]}).encode()
                self._answer(state.faults.pop(0), outcome, {"Content-Type": "application/fhir+json"})
            elif state.polls:
                self._answer(202, headers=state.polls.pop(0))
            else:
                self._answer(200, json.dumps(state.manifest()).encode(), {"Content-Type": "application/json"})
        elif path.split("/")[-2] in state.forgotten:
            self._answer(410)
        else:
            name = path.rpartition("/")[2]
            body = {**state.files, **state.errors}[name].encode()
            if name in state.cut:
                state.cut.remove(name)
                self.send_response(200)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body[: len(body) // 2])
                self.close_connection = True
            else:
                self._answer(200, body, {"Content-Type": "application/fhir+ndjson"})

    def _noted(self) -> None:
        self.state.asked.append((self.command, self.path, {name.lower(): one for name, one in self.headers.items()}))

    def _answer(self, status: int, body: bytes = b"", headers: dict[str, str] | None = None) -> None:
        self.send_response(status)
        for name, value in {"Content-Length": str(len(body)), **(headers or {})}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)


@pytest.fixture
def held() -> Iterator[BulkRecord]:
    state = BulkRecord(
        files={
            "Patient-a": '{"resourceType":"Patient","id":"1"}\n',
            "Observation-a": '{"resourceType":"Observation","id":"1"}\n{"resourceType":"Observation","id":"2"}\n',
            "Observation-b": '{"resourceType":"Observation","id":"3"}\n',
        }
    )

    class Door(_Door):
        pass

    Door.state = state
    server = ThreadingHTTPServer(("127.0.0.1", 0), Door)
    state.base = f"http://127.0.0.1:{server.server_address[1]}/fhir"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield state
    server.shutdown()
    thread.join()
    server.server_close()


def exported(held: BulkRecord, folder: Path, waits: list[float] | None = None, **more: object) -> Exported:
    waits = waits if waits is not None else []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)

    async def run() -> Exported:
        settings = RecordSettings(held.base, (held.base,), TOKEN, private_networks=("127.0.0.0/8",))
        async with RecordClient(settings, waiting=Waiting(sleep, lambda: NOW)) as record:
            return await bulk_export(record, folder, **more)  # type: ignore[arg-type]

    return asyncio.run(run())


def lines_of(folder: Path) -> list[str]:
    return sorted(line for one in folder.glob("*.ndjson") for line in one.read_text().splitlines())


def test_every_file_is_fetched_whole_and_counted_and_the_record_may_forget_it(held: BulkRecord, tmp_path: Path) -> None:
    found = exported(held, tmp_path)

    assert found.lines == {"Observation": 3, "Patient": 1}
    assert (found.files, found.kept, found.as_of) == (3, 0, "2026-03-02T11:59:00Z")
    assert len(lines_of(tmp_path)) == 4
    assert held.asked[-1][:2] == ("DELETE", "/fhir/status/1")
    assert "Provenance" in found.missing
    assert "Observation" not in found.missing


def test_the_kick_off_asks_for_what_a_review_reads_as_the_standard_wants_it(held: BulkRecord, tmp_path: Path) -> None:
    exported(held, tmp_path, group="icu", since="2026-01-01T00:00:00Z")

    method, path, headers = held.asked[0]
    asked = parse_qs(urlsplit(path).query)
    assert (method, urlsplit(path).path) == ("GET", "/fhir/Group/icu/$export")
    assert headers["prefer"].startswith("respond-async")
    assert headers["accept"] == "application/fhir+json"
    assert asked["_outputFormat"] == ["application/fhir+ndjson"]
    assert asked["_since"] == ["2026-01-01T00:00:00Z"]
    assert {"Observation", "Provenance", "GuidanceResponse"} <= set(asked["_type"][0].split(","))


def test_it_waits_as_long_as_the_record_wishes_in_seconds_or_until_a_date(held: BulkRecord, tmp_path: Path) -> None:
    held.polls = [{"Retry-After": "120"}, {"Retry-After": "Mon, 02 Mar 2026 12:05:00 GMT"}, {"X-Progress": "half"}]
    waits: list[float] = []

    exported(held, tmp_path, waits)

    assert waits[:2] == [120.0, 300.0]
    assert waits[2] >= 2.0


def test_a_poll_that_fails_for_the_moment_is_made_again(held: BulkRecord, tmp_path: Path) -> None:
    held.faults = [500, 503]

    waits: list[float] = []
    found = exported(held, tmp_path, waits)

    assert (found.files, len(waits), held.exports) == (3, 2, 1)


@pytest.mark.parametrize(("status", "left"), [(202, ""), (404, ""), (403, "HTTP 403"), (501, "HTTP 501")])
def test_a_record_that_does_not_delete_its_copy_of_the_files_is_told(
    held: BulkRecord, tmp_path: Path, status: int, left: str
) -> None:
    held.deletion = status

    found = exported(held, tmp_path)

    assert (found.left, found.files) == (left, 3)


def test_a_download_that_breaks_off_is_fetched_again_and_not_kept_in_half(held: BulkRecord, tmp_path: Path) -> None:
    held.cut = ["Observation-a", "Observation-a"]

    found = exported(held, tmp_path)

    assert found.lines["Observation"] == 3
    assert not list(tmp_path.glob("*.part"))


def test_a_run_that_was_stopped_goes_on_where_it_ended(held: BulkRecord, tmp_path: Path) -> None:
    held.cut = ["Observation-b"] * 6
    with pytest.raises(ExportStopped, match=r"did not give the file Observation-00002\.ndjson: .* goes on from here"):
        exported(held, tmp_path)
    before = len(held.asked)

    found = exported(held, tmp_path)

    assert (found.files, found.kept) == (3, 2)
    assert [path for _, path, _ in held.asked[before:]] == ["/fhir/files/1/Observation-b", "/fhir/status/1"]


def test_an_export_that_the_record_forgot_is_begun_anew_without_what_came_of_it(
    held: BulkRecord, tmp_path: Path
) -> None:
    held.cut = ["Observation-b"] * 6
    with pytest.raises(ExportStopped):
        exported(held, tmp_path)
    held.forgotten = {"1"}
    held.files["Patient-a"] = '{"resourceType":"Patient","id":"2"}\n'

    found = exported(held, tmp_path)

    assert held.exports == 2
    assert found.lines == {"Observation": 3, "Patient": 1}
    assert '{"resourceType":"Patient","id":"1"}' not in lines_of(tmp_path)


def test_a_record_that_forgets_every_export_is_not_asked_for_ever(held: BulkRecord, tmp_path: Path) -> None:
    held.forgotten = {"1", "2", "3"}

    with pytest.raises(ExportStopped, match="forgot the export before its files were fetched, twice"):
        exported(held, tmp_path)

    assert held.exports == 2


def test_what_the_record_could_not_export_is_kept_beside_and_counted(held: BulkRecord, tmp_path: Path) -> None:
    held.errors = {"faults": '{"resourceType":"OperationOutcome"}\n'}

    found = exported(held, tmp_path)

    assert found.reported == 1
    assert (tmp_path / "outcome-00003.ndjson").exists()


def test_a_file_with_another_count_of_lines_than_the_manifest_names_is_no_whole_export(
    held: BulkRecord, tmp_path: Path
) -> None:
    held.counts = {"Patient-a": 2}

    with pytest.raises(ExportStopped, match=r"Patient-00000\.ndjson has 1 lines, the record names 2"):
        exported(held, tmp_path)


@pytest.mark.parametrize("requires_token", [True, False])
def test_the_token_goes_to_the_record_and_to_its_files_only_where_they_need_it(
    held: BulkRecord, tmp_path: Path, *, requires_token: bool
) -> None:
    held.requires_token = requires_token

    exported(held, tmp_path)

    to_files = {"authorization" in headers for _, path, headers in held.asked if "/files/" in path}
    assert to_files == {requires_token}
    assert all("authorization" in headers for _, path, headers in held.asked if "/files/" not in path)


def test_files_at_another_address_are_fetched_only_where_it_is_named_and_never_with_the_token(
    held: BulkRecord, tmp_path: Path
) -> None:
    held.elsewhere = held.base.replace("/fhir", "/store")
    with pytest.raises(ExportStopped, match="not on the list of allowed record systems"):
        exported(held, tmp_path)

    found = exported(held, tmp_path, elsewhere=[held.elsewhere])

    assert found.files == 3
    assert not any("authorization" in headers for _, path, headers in held.asked if path.startswith("/store/"))


def test_a_record_without_export_is_told_in_a_sentence(held: BulkRecord, tmp_path: Path) -> None:
    held.kick_off = 400

    with pytest.raises(ExportStopped, match=r"began no export \(HTTP 400\)\. It may not offer \$export"):
        exported(held, tmp_path)


def test_the_folder_of_another_export_is_left_as_it_is(held: BulkRecord, tmp_path: Path) -> None:
    exported(held, tmp_path)

    with pytest.raises(ExportStopped, match="holds another export"):
        exported(held, tmp_path, group="icu")

    assert len(lines_of(tmp_path)) == 4
    (tmp_path / STATE).write_text("{")
    with pytest.raises(ExportStopped, match="is not what an export wrote"):
        exported(held, tmp_path)
