#!/bin/sh
# Renews both lock files from pyproject.toml. Needs uv; nobody else does.
set -eu
cd "$(dirname "$0")/.."
compile() { uv pip compile --quiet --universal --generate-hashes --python-version 3.11 --no-header "$@"; }
compile --extra build pyproject.toml -o requirements.lock
compile --extra build --extra test pyproject.toml -c requirements.lock -o requirements-test.lock
