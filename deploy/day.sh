#!/bin/sh
# One invented patient from before a trial to the next day: makes its environment, starts the service, asks it over HTTP,
# prints what it says, stops the service. Needs Python 3.11 or newer and nothing else.
set -eu
cd "$(dirname "$0")/.."
. deploy/environment.sh
environment requirements.lock
exec .venv/bin/python deploy/day.py "$@"
