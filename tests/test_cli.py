"""The command line from the outside: what is printed where, and with which exit code it ends."""

from __future__ import annotations

import errno
import io
import json
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from ebbmark import __version__
from ebbmark.__main__ import run
from ebbmark.cli import main
from ebbmark.fhir.reading.charted_steps import COLUMNS
from ebbmark.fhir.writing.validate import validate
from ebbmark.keys import KeyRing, public_key_set, read_key_ring
from ebbmark.web.app import SIGN_IN_IS_OFF
from ebbmark.web.launch.session import read_cookie_keys
from fhir_builders import bundle, height, parameters, patient, to_bytes, trial_bundle, trial_observations

FIXTURES = Path(__file__).parents[1] / "fixtures"
CLEAR = str(FIXTURES / "clear-closing" / "request.json")
NOT_REACHED = str(FIXTURES / "never-reached" / "request.json")
NOISY = str(FIXTURES / "noisy-record" / "request.json")
KEY_MISSPELT = '[{"iss": "https://record.example/fhir", "client_id": "page", "secrt": "x"}]'
ANSWERED, USAGE, NO_SUGGESTION, NOT_READ, NOT_USABLE, DIFFERENT = 0, 2, 3, 4, 5, 6
UNSIGNED = "The answer carries no signature: nothing shows whether it was changed."

TABLE = """peep_cmh2o,tidal_volume_expired_ml,plateau_cmh2o
20,380,28.5
18,380,26.2
16,380,24.1
14,380,22.0
12,380,20.4
10,380,19.7
8,380,19.5
"""
WITH_PERSON = TABLE.replace("\n", ",168,female\n").replace(",168,female", ",height_cm,sex", 1)


def timed(table: str) -> str:
    """The same table with a time for each row."""
    header, *rows = table.splitlines()
    lines = [f"2026-03-01T10:{3 * number:02d}:00+01:00,{row}" for number, row in enumerate(rows)]
    return "\n".join([f"time,{header}", *lines]) + "\n"


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    return tmp_path / "input"


def given(path: Path, content: str | bytes) -> str:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return str(path)


# evaluate


def test_a_bundle_is_told_in_plain_words(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", CLEAR])

    out = capsys.readouterr().out
    assert code == ANSWERED
    assert "Predicted body weight  59.7 kg" in out
    assert "began to fall for good at PEEP 10 cmH2O" in out
    assert "12 cmH2O (preliminary; a licensed clinician decides)" in out


def test_parameters_are_told_in_plain_words(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", NOISY])

    assert code == ANSWERED
    assert "from the caller's choice (sex-for-formula)" in capsys.readouterr().out


def test_a_trial_without_closing_ends_with_its_own_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", NOT_REACHED])

    assert code == NO_SUGGESTION
    assert "Suggested PEEP\n--------------\nnone" in capsys.readouterr().out


def test_a_trial_is_read_from_standard_input(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(Path(CLEAR).read_bytes())))

    code = main(["evaluate", "-"])

    assert code == ANSWERED
    assert "Suggested PEEP" in capsys.readouterr().out


def test_a_table_is_answered(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", given(saved, timed(WITH_PERSON))])

    out = capsys.readouterr().out
    assert code == ANSWERED
    assert "From a height of 168 cm; form of the formula: female" in out
    assert "began to fall for good at PEEP 12 cmH2O" in out


def test_a_table_without_times_counts_in_its_order_and_says_so(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", given(saved, WITH_PERSON)])

    out = capsys.readouterr().out
    assert code == ANSWERED
    assert out.startswith("No times were sent")
    assert "The age of the trial is not known" in " ".join(out.split())
    assert "24 h" not in out
    assert "2000-01-01" not in out


def test_height_and_sex_may_come_beside_the_table(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    beside = main(["evaluate", given(saved, TABLE), "--height-cm", "168", "--sex", "female"])
    first = capsys.readouterr().out
    within = main(["evaluate", given(saved, WITH_PERSON)])
    second = capsys.readouterr().out

    assert beside == within == ANSWERED
    assert first == second


def test_a_table_of_a_spreadsheet_is_read(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    content = b"\xef\xbb\xbf" + WITH_PERSON.replace("\n", "\r\n").replace(",", ", ").encode() + b",,,,\r\n"

    code = main(["evaluate", given(saved, content)])

    assert code == ANSWERED
    assert "Predicted body weight" in capsys.readouterr().out


def test_rows_of_one_peep_are_readings_of_one_step(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    header, *rows = WITH_PERSON.splitlines()
    twice = "\n".join([header, *(row for row in rows for _ in range(2))])

    main(["evaluate", given(saved, twice), "--format", "json"])

    steps = json.loads(capsys.readouterr().out)["steps"]
    assert [step["peep_cmh2o"] for step in steps] == [20, 18, 16, 14, 12, 10, 8]


def test_every_documented_column_is_taken(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    values = {
        "tidal_volume_ml": "380",
        "tidal_volume_expired_ml": "378",
        "peak_cmh2o": "35",
        "respiratory_rate_per_min": "22",
    }
    header, *rows = WITH_PERSON.splitlines()
    plain = [name for name in header.split(",") if name not in values]
    more = {name: values.get(name, "") for name in COLUMNS if name not in plain}
    kept = [header.split(",").index(name) for name in plain]
    wider = [[row.split(",")[place] for place in kept] + list(more.values()) for row in rows]
    table = "\n".join(",".join(row) for row in [[*plain, *more], *wider])

    code = main(["evaluate", given(saved, table)])

    assert code == ANSWERED
    assert capsys.readouterr().err == ""


def test_json_is_the_account_as_data(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", CLEAR, "--format", "json"])

    told = json.loads(capsys.readouterr().out)
    assert code == ANSWERED
    assert (told["closing_pressure_cmh2o"], told["suggested_peep_cmh2o"]) == (10, 12)
    assert told["software"] == __version__
    assert told["remarks"] == []


def test_fhir_is_the_bundle_that_the_door_gives(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", CLEAR, "--format", "fhir"])

    answer = json.loads(capsys.readouterr().out)
    assert code == ANSWERED
    assert (answer["resourceType"], answer["type"]) == ("Bundle", "collection")
    assert validate(answer) == ()


def test_results_without_times_are_not_made_for_a_record(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", given(saved, WITH_PERSON), "--format", "fhir"])

    assert code == NOT_READ
    assert "A time column" in capsys.readouterr().err


@pytest.mark.parametrize("more", [("--report", "no.pdf"), ("--operation", "next-step")])
def test_what_depends_on_times_is_refused_for_a_table_without_them(
    saved: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, str]
) -> None:
    code = main(["evaluate", given(saved, WITH_PERSON), *more])

    assert code == NOT_READ
    assert f"A time column is needed for {' '.join(more).replace(' no.pdf', '')}" in capsys.readouterr().err


# faults of the input


@pytest.mark.parametrize(
    ("content", "code", "says"),
    [
        (b"", NOT_READ, "line 1"),
        (b"{", NOT_READ, "not JSON"),
        (b"<Bundle/>", NOT_READ, "XML"),
        (b"\xff\xfe\x00", NOT_READ, "UTF-8"),
        (b'{"resourceType":"Patient"}', NOT_READ, "Parameters or a Bundle"),
        (to_bytes(bundle(patient(), *trial_observations())), NOT_USABLE, "No usable body height"),
        (to_bytes(bundle(patient(), height())), NOT_USABLE, "No usable PEEP"),
        (to_bytes(parameters(bundle=trial_bundle(), peep=True)), NOT_USABLE, "no parameter of this name"),
    ],
)
def test_what_cannot_be_read_and_what_cannot_be_used_end_differently(
    saved: Path, capsys: pytest.CaptureFixture[str], content: bytes, code: int, says: str
) -> None:
    ended = main(["evaluate", given(saved, content)])

    out, err = capsys.readouterr()
    assert ended == code
    assert says in err
    assert out == ""


def test_a_refusal_names_the_element(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", given(saved, to_bytes(bundle(patient(), height(17), *trial_observations())))])

    assert code == NOT_USABLE
    assert "[Bundle.entry[1].resource.valueQuantity]" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("table", "places"),
    [
        (WITH_PERSON.replace("plateau_cmh2o", "pplat"), ["line 1", "'pplat'", "plateau_cmh2o"]),
        (WITH_PERSON.replace("peep_cmh2o", "peak_cmh2o", 1), ["line 1", "no column peep_cmh2o"]),
        (WITH_PERSON.replace("height_cm", "sex", 1), ["line 1", "sex twice"]),
        (WITH_PERSON.replace("24.1", "24;1"), ["line 4, plateau_cmh2o", "'24;1'", "a number"]),
        (WITH_PERSON.replace("24.1", "nan"), ["line 4, plateau_cmh2o", "'nan'", "a number"]),
        (WITH_PERSON.replace("24.1", "1e999"), ["line 4, plateau_cmh2o", "'1e999'", "a number"]),
        (WITH_PERSON.replace("14,380", ",380"), ["line 5, peep_cmh2o", "nothing"]),
        (WITH_PERSON.replace("20.4,168", "20.4,168,1,2"), ["line 6", "more values than"]),
        (WITH_PERSON + ",,,,,,,,7\n", ["more values than"]),
        (WITH_PERSON.replace("20.4,168", "20.4,186"), ["column height_cm", "168 and 186"]),
        (WITH_PERSON.replace("168", "tall"), ["line 2, height_cm", "'tall'", "a number"]),
        (WITH_PERSON.replace("female", "woman"), ["line 2, sex", "'woman'", "male or female"]),
        (timed(WITH_PERSON).replace("2026-03-01T10:06:00+01:00", ""), ["line 4, time", "nothing"]),
    ],
)
def test_a_fault_in_a_table_is_named_with_line_and_column(
    saved: Path, capsys: pytest.CaptureFixture[str], table: str, places: list[str]
) -> None:
    code = main(["evaluate", given(saved, table)])

    err = capsys.readouterr().err
    assert code == NOT_READ
    assert [place for place in places if place not in err] == []


def test_all_faults_of_a_table_are_told_at_once(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["evaluate", given(saved, WITH_PERSON.replace("24.1", "x").replace("19.7", "y"))])

    assert len(capsys.readouterr().err.splitlines()) == 2


def test_a_time_without_zone_in_a_table_is_refused(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", given(saved, timed(WITH_PERSON).replace("+01:00", ""))])

    assert code in (NOT_READ, NOT_USABLE)
    err = capsys.readouterr().err
    assert err.startswith("line 2, time: Its time has no zone")
    assert "[line 2, time and 6 more]" in err
    assert "Bundle.entry" not in err
    assert err.count("no zone") == 1


def test_a_refusal_tells_what_was_not_used_once_per_reason(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["evaluate", given(saved, WITH_PERSON.replace(",28.5", ",900").replace(",26.2", ",900"))])
    assert capsys.readouterr().err == ""
    too_high = re.sub(r"(?m)(\d\d?,380),[\d.]+", r"\1,900", WITH_PERSON)
    main(["evaluate", given(saved, too_high)])

    err = capsys.readouterr().err
    assert "0 of 7 steps" in err
    assert "[line 2, plateau_cmh2o, line 3, plateau_cmh2o, line 4, plateau_cmh2o and 4 more]" in " ".join(err.split())


@pytest.mark.parametrize("option", [["--height-cm", "168"], ["--sex", "female"]])
def test_height_and_sex_beside_json_are_refused(option: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["evaluate", CLEAR, *option]) == USAGE
    assert "are for a table" in capsys.readouterr().err


# usage and the other commands


@pytest.mark.parametrize(
    "arguments",
    [[], ["titrate"], ["evaluate"], ["evaluate", CLEAR, "--format", "xml"], ["evaluate", CLEAR, "--sex", "x"]],
)
def test_wrong_usage_ends_with_two(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)

    assert ended.value.code == USAGE
    assert "usage: ebbmark" in capsys.readouterr().err


def test_a_file_that_is_not_there_ends_with_two(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", str(saved)])

    assert code == USAGE
    assert "No such file" in capsys.readouterr().err


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--version"])

    assert ended.value.code == 0
    assert capsys.readouterr().out == f"ebbmark {__version__}\n"


def test_the_help_documents_columns_and_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["evaluate", "--help"])

    text = " ".join(capsys.readouterr().out.split())
    assert [name for name in ("time", "height_cm", "sex", *COLUMNS) if name not in text] == []
    assert "3 a titration without a suggestion" in text


def test_an_answer_bundle_is_told_as_it_was_told_at_first(saved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["evaluate", CLEAR])
    first = capsys.readouterr().out
    main(["evaluate", CLEAR, "--format", "fhir"])
    answer = capsys.readouterr().out

    code = main(["account", given(saved, answer)])

    assert code == ANSWERED
    assert capsys.readouterr().out == f"{UNSIGNED}\n{first}"


def test_an_answer_whose_line_and_value_differ_is_called_so_before_its_line(
    saved: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answer = json.loads((FIXTURES / "clear-closing" / "answer.json").read_bytes())
    (suggestion,) = [
        entry["resource"]
        for entry in answer["entry"]
        if entry["resource"].get("code", {}).get("coding", [{}])[0].get("code") == "suggested-peep"
    ]
    suggestion["valueQuantity"]["value"] = 18.0

    main(["account", given(saved, json.dumps(answer))])

    assert (
        capsys.readouterr()
        .out.splitlines()[1]
        .startswith("This answer contradicts itself: its suggested PEEP is 18 cmH2O")
    )


def test_an_account_says_first_whether_the_signature_holds(
    saved: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    main(["new-key"])
    key = capsys.readouterr().out
    private = saved.with_name("private.json")
    monkeypatch.setenv("EBBMARK_SIGNING_KEYS", json.dumps([given(private, key)]))
    monkeypatch.setenv("EBBMARK_SIGN_RESULTS", "true")
    main(["evaluate", CLEAR, "--format", "fhir"])
    answer = capsys.readouterr().out
    ring = read_key_ring([key.encode()])
    assert isinstance(ring, KeyRing)
    public = given(saved.with_name("public.json"), json.dumps(public_key_set(ring)))
    tampered = answer.replace('"value": 59.7', '"value": 69.7')
    assert tampered != answer

    for content, keys, code, first in (
        (answer, ["--keys", public], ANSWERED, "The signature is valid."),
        (tampered, ["--keys", public], DIFFERENT, "The signature does not fit: this answer was changed after"),
        (tampered, [], ANSWERED, "The signature was not checked: no keys were given (--keys)."),
    ):
        assert main(["account", given(saved, content), *keys]) == code
        assert capsys.readouterr().out.startswith(first)


def test_an_evaluation_that_shall_be_signed_and_has_no_key_is_refused(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("EBBMARK_SIGN_RESULTS", "true")

    code = main(["evaluate", CLEAR, "--format", "fhir"])

    assert code == USAGE
    assert "EBBMARK_SIGN_RESULTS needs a key in EBBMARK_SIGNING_KEYS" in capsys.readouterr().err


@pytest.mark.parametrize(
    "content", [b"", b"{}", b"[]", b"{", Path(CLEAR).read_bytes(), b'{"entry": [1]}', b'{"entry": null}']
)
def test_what_is_no_answer_of_ours_is_not_told(saved: Path, capsys: pytest.CaptureFixture[str], content: bytes) -> None:
    code = main(["account", given(saved, content)])

    assert code == NOT_READ
    assert "not an answer Bundle" in capsys.readouterr().err


# serve


@pytest.mark.parametrize(("name", "begins"), [("a.svg", b"<?xml"), ("a.PNG", b"\x89PNG"), ("a.pdf", b"%PDF")])
def test_plot_draws_the_answer_beside_the_usual_output(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, begins: bytes
) -> None:
    main(["evaluate", CLEAR])
    without = capsys.readouterr().out

    assert main(["evaluate", CLEAR, "--plot", str(tmp_path / name)]) == ANSWERED

    assert capsys.readouterr().out == without
    assert (tmp_path / name).read_bytes().startswith(begins)


def test_a_plot_takes_the_place_of_an_older_one(tmp_path: Path) -> None:
    (tmp_path / "a.svg").write_text("older")

    assert main(["evaluate", NOT_REACHED, "--plot", str(tmp_path / "a.svg")]) == NO_SUGGESTION

    assert b"Compliance did not fall for good" in (tmp_path / "a.svg").read_bytes()


def test_a_plot_of_another_kind_is_wrong_usage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["evaluate", CLEAR, "--plot", str(tmp_path / "a.jpg")])

    assert ended.value.code == USAGE
    assert "does not end in .svg, .png or .pdf" in capsys.readouterr().err


def test_a_plot_that_cannot_be_written_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["evaluate", CLEAR, "--plot", str(tmp_path / "missing" / "a.svg")])

    assert code == USAGE
    assert "No such file or directory" in capsys.readouterr().err


@contextmanager
def service(*arguments: str, **environment: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The real service on a free port; yields it with the line that it printed."""
    with subprocess.Popen(
        [sys.executable, "-m", "ebbmark", "serve", "--port", "0", *arguments],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": str(FIXTURES.parent / "service"), **environment},
    ) as process:
        assert process.stderr is not None
        try:
            yield process, process.stderr.readline()
        finally:
            process.kill()


def test_an_output_on_a_full_disk_ends_with_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Full(io.StringIO):
        def write(self, _: str) -> int:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(sys, "stdout", Full())

    code = run(["evaluate", CLEAR])

    assert code == 2
    assert capsys.readouterr().err == "The output was not written whole: No space left on device.\n"


def test_an_output_that_nobody_reads_on_ends_without_a_word(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Unread(io.StringIO):
        def write(self, _: str) -> int:
            raise BrokenPipeError(errno.EPIPE, "Broken pipe")

    monkeypatch.setattr(sys, "stdout", Unread())

    code = run(["evaluate", CLEAR])

    assert (code, capsys.readouterr().err) == (141, "")


@pytest.mark.live
def test_the_service_prints_its_address_answers_there_and_stops_when_told() -> None:
    with service() as (process, line):
        found = re.fullmatch(r"Ebbmark (\S+) listens on (http://127\.0\.0\.1:\d+)\n", line)
        assert found is not None
        assert found.group(1) == __version__
        request = urllib.request.Request(  # noqa: S310
            f"{found.group(2)}/fhir/$titrate-peep",
            data=Path(CLEAR).read_bytes(),
            headers={"Content-Type": "application/fhir+json"},
        )
        with urllib.request.urlopen(request, timeout=20) as reply:  # noqa: S310
            answer = json.loads(reply.read())
            headers = dict(reply.headers)
        with urllib.request.urlopen(f"{found.group(2)}/fhir/metadata", timeout=20) as reply:  # noqa: S310
            statement = json.loads(reply.read())

        process.send_signal(signal.SIGTERM)
        code = process.wait(timeout=20)

        assert answer["resourceType"] == "Bundle"
        assert "server" not in {name.lower() for name in headers}
        assert statement["implementation"]["url"] == f"{found.group(2)}/fhir"
        assert code in (0, -signal.SIGTERM)
        assert process.stderr is not None
        (warned,) = [json.loads(one) for one in process.stderr.read().splitlines()]
        assert (warned["level"], warned["message"]) == ("warning", SIGN_IN_IS_OFF)
        assert process.stdout is not None
        (event,) = [json.loads(one)["event"] for one in process.stdout.read().splitlines()]
        assert (event["resourceType"], event["action"], event["outcome"]) == ("AuditEvent", "E", "0")
        assert "Patient/" not in json.dumps(event)


def test_a_record_is_inspected_and_its_draft_corrected_makes_it_readable(
    saved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    local = to_bytes(trial_bundle()).replace(b"http://loinc.org", b"urn:example:chart")
    displays = {b'"20077-4"': b"PEEP set", b'"76259-1"': b"Plateau", b'"76007-4"': b"VTe", b'"8302-2"': b"Height"}
    for code, words in displays.items():
        local = local.replace(b'"code": ' + code, b'"code": ' + code + b', "display": "' + words + b'"')
    file = given(saved, local)

    assert main(["inspect", file]) == ANSWERED
    told = capsys.readouterr().out
    assert "urn:example:chart|20077-4 'PEEP set'" in told
    assert "likeliest: peep-set" in told
    assert main(["evaluate", file]) == NOT_USABLE
    assert main(["inspect", file, "--format", "concept-map"]) == ANSWERED
    draft = capsys.readouterr().out
    code_map = tmp_path / "map.json"
    code_map.write_text(draft.replace("relatedto", "equivalent"))
    monkeypatch.setenv("EBBMARK_CODE_MAP", str(code_map))
    assert main(["evaluate", file, "--format", "json"]) == ANSWERED
    capsys.readouterr()
    assert main(["inspect", file, "--format", "json"]) == ANSWERED
    assert "peep-set" in capsys.readouterr().out


def test_what_would_be_read_if_preliminary_rows_counted_is_told_on_request(
    saved: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = given(saved, to_bytes(trial_bundle()).replace(b'"final"', b'"preliminary"'))

    assert main(["inspect", file]) == ANSWERED
    without = capsys.readouterr().out
    assert main(["inspect", file, "--accept-preliminary"]) == ANSWERED
    told = capsys.readouterr().out

    assert "its status is preliminary" in without
    assert "One can be read" not in without
    assert "One can be read" in told


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("PORT", "abc", "a whole number from 0 to 65535 is expected."),
        ("PORT", "99999", "a whole number from 0 to 65535 is expected."),
        ("DEMO", "perhaps", "true or false is expected."),
        ("TIME_ZONE", "Wien", "no zone of this name is known here; a name as Europe/Vienna is needed"),
    ],
)
def test_a_setting_of_another_kind_is_answered_with_what_is_expected(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], name: str, value: str, says: str
) -> None:
    monkeypatch.setenv(f"EBBMARK_{name}", value)

    assert main(["evaluate", CLEAR]) == USAGE

    assert capsys.readouterr().err == f"EBBMARK_{name}: {says}\n"


def test_a_site_file_that_cannot_be_read_stops_an_evaluation(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("EBBMARK_CODE_MAP", "/nowhere/map.json")

    code = main(["evaluate", CLEAR])

    assert code == USAGE
    assert capsys.readouterr().err.startswith("EBBMARK_CODE_MAP: /nowhere/map.json cannot be read")


@pytest.mark.live
@pytest.mark.parametrize(
    ("environment", "says"),
    [
        ({"EBBMARK_ISSUERS": '[{"issuer": "https://issuer.example"}]'}, "EBBMARK_ISSUERS[0]"),
        ({"EBBMARK_SMART_CLIENTS": KEY_MISSPELT}, "EBBMARK_SMART_CLIENTS[0].secrt"),
        ({"EBBMARK_MAX_BODY_BYTES": "many"}, "EBBMARK_MAX_BODY_BYTES"),
        ({"EBBMARK_RECORD_ATTEMPTS": "99"}, "EBBMARK_RECORD_ATTEMPTS"),
        ({"EBBMARK_ISSUERS": "https://issuer.example"}, "EBBMARK_ISSUERS"),
        ({"EBBMARK_PRIVATE_NETWORKS": "10.0.0.0/8"}, "EBBMARK_PRIVATE_NETWORKS"),
        ({"EBBMARK_CODE_MAP": "/nowhere/map.json"}, "EBBMARK_CODE_MAP"),
        ({"EBBMARK_BASE_URL": "peep"}, "EBBMARK_BASE_URL"),
        ({"EBBMARK_RECORD_BASE_URL": "record"}, "EBBMARK_RECORD_BASE_URL"),
        ({"EBBMARK_RECORD_ALLOWED_BASE_URLS": '["http://far.example"]'}, "EBBMARK_RECORD_ALLOWED_BASE_URLS"),
        ({"EBBMARK_RECORD_BASE_ULR": "https://record.example"}, "EBBMARK_RECORD_BASE_ULR"),
    ],
)
def test_a_setting_that_cannot_be_used_is_named_and_stops_the_start(environment: dict[str, str], says: str) -> None:
    with service(**environment) as (process, line):
        code = process.wait(timeout=20)

        assert code == USAGE
        assert line.startswith(f"{says}: ")
        assert "Traceback" not in line


@pytest.mark.live
def test_a_misspelt_setting_stops_the_start_and_the_one_it_resembles_is_named() -> None:
    with service(EBBMARK_SIGN_RESULT="true") as (process, line):
        code = process.wait(timeout=20)

        assert code == USAGE
        assert line == "EBBMARK_SIGN_RESULT: there is no such setting. Is EBBMARK_SIGN_RESULTS meant?\n"


@pytest.mark.live
@pytest.mark.parametrize("host", ["0.0.0.0", "::", "peep.example"])  # noqa: S104 - that it does not listen there
def test_without_anybody_to_trust_it_listens_on_this_machine_only(host: str) -> None:
    with service("--host", host) as (process, line):
        code = process.wait(timeout=20)

        assert code == USAGE
        assert "EBBMARK_ISSUERS" in line


@pytest.mark.live
@pytest.mark.parametrize(
    ("environment", "says"),
    [
        ({"EBBMARK_AUTHENTICATION": "bearer"}, "EBBMARK_ISSUERS names nobody"),
        (
            {"EBBMARK_SIGNING_KEYS": '["/nowhere/key.json"]'},
            "EBBMARK_SIGNING_KEYS: /nowhere/key.json cannot",
        ),
        ({"EBBMARK_AUDIT_TO": "record"}, "EBBMARK_RECORD_BASE_URL is not set"),
        ({"EBBMARK_RECORD_TOKEN": "token"}, "EBBMARK_RECORD_BASE_URL is not"),
        ({"EBBMARK_RECORD_CERTIFICATE": "/nowhere/certificate.pem"}, "client certificate"),
        (
            {"EBBMARK_RECORD_BASE_URL": "https://record.example/fhir", "EBBMARK_RECORD_CLIENT_ID": "ebbmark"},
            "a key to sign with",
        ),
    ],
)
def test_settings_that_do_not_go_together_stop_the_start_in_one_sentence(
    environment: dict[str, str], says: str
) -> None:
    with service(**environment) as (process, line):
        code = process.wait(timeout=20)

        assert code == USAGE
        assert says in line
        assert "Traceback" not in line


@pytest.mark.parametrize(("algorithm", "kind"), [("ES384", "EC"), ("RS384", "RSA")])
def test_a_new_key_can_be_signed_with(algorithm: str, kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["new-key", "--algorithm", algorithm])

    ring = read_key_ring([capsys.readouterr().out.encode()])
    assert code == ANSWERED
    assert isinstance(ring, KeyRing)
    assert [(key.algorithm, key.key.key_type) for key in ring.keys] == [(algorithm, kind)]


def test_a_new_cookie_key_seals_and_opens(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["new-key", "--algorithm", "A256GCM"])

    seal = read_cookie_keys([capsys.readouterr().out.encode()])
    assert code == ANSWERED
    assert seal.open(seal.close({"a": 1}, purpose="p"), dict, purpose="p") == {"a": 1}


def test_many_rows_at_one_step_of_an_untimed_table_stay_one_step(
    saved: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [
        f"{peep},400,{peep + 400 / compliance:.2f}" for peep, compliance in ((16, 40), (14, 41), (12, 41), (10, 36))
    ]
    table = "peep_cmh2o,tidal_volume_ml,plateau_cmh2o\n" + "\n".join([rows[0], *[rows[1]] * 200, *rows[2:]])

    main(["evaluate", given(saved, table), "--height-cm", "170", "--sex", "female", "--format", "json"])

    answer = json.loads(capsys.readouterr().out)
    steps = [(step["peep_cmh2o"], step["readings"]) for step in answer["steps"]]
    assert steps == [
        (16, 1),
        (14, 200),
        (12, 1),
        (10, 1),
    ]


def test_records_that_are_no_json_stop_the_start_with_one_sentence_that_names_the_setting(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("EBBMARK_SMART_CLIENTS", "{bad")

    code = main(["serve", "--port", "0"])

    assert code != ANSWERED
    assert capsys.readouterr().err == 'EBBMARK_SMART_CLIENTS: not JSON; a list is needed, as in ["..."]\n'


def test_an_old_trial_is_answered_as_of_the_moment_that_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    file = str(FIXTURES / "clear-closing" / "request.json")

    main(["evaluate", file])
    assert "Over 24 h old" in capsys.readouterr().out
    main(["evaluate", file, "--at", "2026-03-02T10:00Z"])
    assert "Over 24 h old" not in capsys.readouterr().out
    with pytest.raises(SystemExit):
        main(["evaluate", file, "--at", "2026-03-02T10:00"])
    assert "no instant with a zone" in capsys.readouterr().err
