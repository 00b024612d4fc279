#!/bin/sh
# Builds the image. Fetches the wheels of the lock once, checked by their hashes; the build itself needs no network.
# Needs Python 3.11 with pip, and buildah or podman.
# Usage: sh deploy/container/build.sh BASE [TAG [RUNTIME]]
# BASE: an image with Python 3.11 or newer, named with its digest, as docker.io/library/python@sha256:..., or one of this
# machine, as localhost/base:bookworm. RUNTIME: the image that the result starts from, the same as BASE unless named.
set -eu
cd "$(dirname "$0")/../.."
base=${1:?"BASE is needed, as docker.io/library/python@sha256:..."}
tag=${2:-localhost/ebbmark:latest}
runtime=${3:-$base}
for image in "$base" "$runtime"; do
    case $image in
    *@sha256:* | localhost/*) ;;
    *)
        echo "The base $image is not named with its digest (@sha256:...): what is built could differ from day to day." >&2
        exit 2
        ;;
    esac
done
python=${PYTHON:-python3}
# The wheels are those of the base's Python, which must be the same as this one.
wanted="import platform, sys; print(*sys.version_info[:2], platform.machine())"
context=out/image
stamp=$context/wheels.stamp
mkdir -p "$context"
key="$("$python" -c "$wanted") $(cat requirements.lock deploy/container/pip.lock | sha256sum)"
if [ "$(cat "$stamp" 2>/dev/null)" != "$key" ]; then
    echo "Fetching wheels ..." >&2
    rm -rf "$context/wheels"
    for lock in deploy/container/pip.lock requirements.lock; do
        "$python" -m pip download --quiet --disable-pip-version-check --require-hashes --only-binary :all: \
            --no-deps -r "$lock" -d "$context/wheels"
    done
    echo "$key" >"$stamp"
fi
rm -rf "$context/service" "$context/deploy"
mkdir -p "$context/deploy"
cp -r deploy/container "$context/deploy/"
git ls-files service | while read -r file; do
    mkdir -p "$context/$(dirname "$file")"
    cp "$file" "$context/$file"
done
cp pyproject.toml README.md LICENSE requirements.lock deploy/container/pip.lock "$context/"
if command -v buildah >/dev/null 2>&1; then
    set -- buildah bud
else
    set -- podman build
fi
"$@" --timestamp 0 --build-arg "BASE=$base" --build-arg "RUNTIME=$runtime" \
    --tag "$tag" -f deploy/container/Containerfile "$context"
