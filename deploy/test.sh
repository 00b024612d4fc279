#!/bin/sh
# Installs what the tests need and runs all checks: style, types, import contracts, tests. Arguments go to pytest.
# Without a browser or a Java record the tests that need one are left out, and one line says how many and why.
set -eu
cd "$(dirname "$0")/.."
. deploy/environment.sh
environment requirements-test.lock
.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/mypy
if [ $# -gt 0 ]; then
    exec .venv/bin/python -m pytest "$@"
fi
mkdir -p out
# A browser is a program of the machine, no package of ours: its tests are counted and left out where there is none.
browser=
without=
if ! command -v chromium >/dev/null 2>&1 && [ "${CI:-}" != true ]; then
    count=$(.venv/bin/python -m pytest tests/browser --collect-only -q 2>/dev/null | awk -F': ' '{sum += $2} END {print sum + 0}')
    browser="$count tests were left out, since there is no chromium here; to have them: apt-get install chromium"
    without=--ignore=tests/browser
fi
# Tests with real servers and a real browser mostly wait, and those of one answer at every door and on every processor take
# long: they run beside the others, and are shown after them.
(
    code=0
    .venv/bin/python -m pytest -m live $without || code=$?
    .venv/bin/python -m pytest -m "not live" tests/processors tests/agreement || code=$?
    exit $code
) >out/tests-beside.txt 2>&1 &
beside=$!
trap 'kill $beside 2>/dev/null || true' INT TERM
failed=0
.venv/bin/python -m pytest -m "not live" --ignore=tests/processors --ignore=tests/agreement $without || failed=$?
wait $beside || failed=$?
echo "With real servers and a real browser, and one answer everywhere:"
cat out/tests-beside.txt
[ -z "$browser" ] || echo "$browser"
exit $failed
