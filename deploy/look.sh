#!/bin/sh
# The pages on invented patients: makes its environment, then serves them on this machine until Ctrl-C. Open the address
# that it prints in a browser. Needs Python 3.11 or newer and nothing else. Arguments go to `ebbmark serve`.
set -eu
cd "$(dirname "$0")/.."
. deploy/environment.sh
environment requirements.lock
exec .venv/bin/ebbmark serve --demo "$@"
