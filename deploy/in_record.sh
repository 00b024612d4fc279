#!/bin/sh
# A titration read from, written to and replayed from a real FHIR record on this machine. Needs Python 3.11 or newer,
# Java 17 or newer and, the first time, Maven.
set -eu
cd "$(dirname "$0")/.."
. deploy/environment.sh
environment requirements.lock
exec .venv/bin/python deploy/in_record.py "$@"
