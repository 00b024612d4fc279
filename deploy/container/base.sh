#!/bin/sh
# Makes a base image from Debian's packages, where none can be pulled: Python, certificate authorities, time zones.
# Needs root, mmdebstrap and podman. Usage: sh deploy/container/base.sh [TAG]
set -eu
tag=${1:-localhost/base:bookworm}
SOURCE_DATE_EPOCH=0 mmdebstrap --quiet --variant=essential --include=python3,libstdc++6,ca-certificates,tzdata \
    --dpkgopt='path-exclude=/usr/share/doc/*' --dpkgopt='path-exclude=/usr/share/man/*' \
    --dpkgopt='path-exclude=/usr/share/locale/*' bookworm - | podman import --quiet - "$tag"
