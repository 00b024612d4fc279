#!/bin/sh
# Renews both lock files from pyproject.toml. Needs uv; nobody else does.
set -eu
cd "$(dirname "$0")/.."
compile() { uv pip compile --quiet --universal --generate-hashes --python-version 3.11 --no-header "$@"; }
# The larger set first: what runs is then the same version in both.
compile --extra build --extra traces --extra review --extra test pyproject.toml -o requirements-test.lock
compile --extra build pyproject.toml -c requirements-test.lock -o requirements.lock
