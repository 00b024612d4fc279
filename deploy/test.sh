#!/bin/sh
# Installs what the tests need and runs all checks: style, types, import contracts, tests.
set -eu
cd "$(dirname "$0")/.."
. deploy/environment.sh
environment requirements-test.lock
.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/mypy
exec .venv/bin/python -m pytest "$@"
