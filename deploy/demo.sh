#!/bin/sh
# The main job on the embedded demo scenario: makes its environment, starts the service, asks it over HTTP, prints the
# account, stops the service. Needs Python 3.11 or newer and nothing else.
set -eu
cd "$(dirname "$0")/.."
. deploy/environment.sh
environment requirements.lock
exec .venv/bin/python deploy/demo.py "$@"
