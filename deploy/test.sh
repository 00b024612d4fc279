#!/bin/sh
# Installs what the tests need and runs all checks: style, types, import contracts, tests. Arguments go to pytest.
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
# Tests with real servers and a real browser mostly wait: they run beside the others, and are shown after them.
mkdir -p out
.venv/bin/python -m pytest -m live >out/live-tests.txt 2>&1 &
live=$!
trap 'kill $live 2>/dev/null || true' INT TERM
failed=0
.venv/bin/python -m pytest -m "not live" || failed=$?
wait $live || failed=$?
echo "With real servers and a real browser:"
cat out/live-tests.txt
exit $failed
