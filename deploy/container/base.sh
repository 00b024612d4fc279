#!/bin/sh
# Makes two base images from Debian's packages, where none can be pulled: TAG to build in, and TAG-runtime to run from, which
# holds Python, certificate authorities and time zones, and neither a shell nor a package manager.
# Needs root, mmdebstrap and podman. Usage: sh deploy/container/base.sh [TAG [--quick]]
# --quick makes the first only.
set -eu
tag=${1:-localhost/base:bookworm}
make() {
    SOURCE_DATE_EPOCH=0 mmdebstrap --quiet --hook-dir=/usr/share/mmdebstrap/hooks/merged-usr \
        --dpkgopt='path-exclude=/usr/share/doc/*' --dpkgopt='path-exclude=/usr/share/man/*' \
        --dpkgopt='path-exclude=/usr/share/locale/*' "$@" bookworm -
}
make --variant=essential --include=python3,libstdc++6,binutils,ca-certificates,tzdata | podman import --quiet - "$tag"
[ "${2:-}" != --quick ] || exit 0
# Packages are unpacked and not set up here: the list of authorities is joined and Python's modules are compiled by hand.
# shellcheck disable=SC2016 - $1 is the folder that mmdebstrap hands over
make --variant=extract --include=python3,libstdc++6,ca-certificates,tzdata,base-files,netbase \
    --dpkgopt='path-exclude=/usr/lib/*/gconv/*' --dpkgopt='path-exclude=/usr/share/perl5/*' \
    --dpkgopt='path-exclude=/usr/lib/python3*/lib2to3/*' --dpkgopt='path-exclude=/usr/lib/python3*/pydoc_data/*' \
    --dpkgopt='path-exclude=/usr/lib/python3*/test/*' \
    --customize-hook='cat "$1"/usr/share/ca-certificates/mozilla/*.crt >"$1/etc/ssl/certs/ca-certificates.crt"' \
    --customize-hook='PYTHONHASHSEED=0 chroot "$1" python3 -m compileall -q -j 1 --invalidation-mode unchecked-hash /usr/lib' |
    podman import --quiet - "$tag-runtime"
