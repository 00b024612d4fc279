# Read by the other scripts: makes the environment .venv from a lock file, once, and again whenever the lock changes.
# Needs Python 3.11 or newer and nothing else. Usage: . deploy/environment.sh; environment requirements.lock

environment() {
    lock=$1
    python=${PYTHON:-}
    if [ -z "$python" ]; then
        for candidate in python3.11 python3.12 python3.13 python3; do
            if command -v "$candidate" >/dev/null 2>&1 &&
                "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
                python=$candidate
                break
            fi
        done
    fi
    if [ -z "$python" ]; then
        echo "Python 3.11 or newer is needed and was not found (set PYTHON to name one)." >&2
        return 1
    fi
    stamp=.venv/$(basename "$lock").installed
    if [ ! -x .venv/bin/python ]; then
        echo "Making the environment (first run only) ..." >&2
        "$python" -m venv .venv
    fi
    # The lock of the tests holds everything that the other one holds, in the same versions.
    whole=requirements-test.lock
    if cmp -s "$whole" ".venv/$whole.installed" && [ "$lock" != "$whole" ]; then
        return 0
    fi
    if ! cmp -s "$lock" "$stamp"; then
        echo "Installing what $lock names ..." >&2
        .venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r "$lock"
        .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
        cp "$lock" "$stamp"
    fi
}
