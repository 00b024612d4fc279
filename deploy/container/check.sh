#!/bin/sh
# What is done with the image before a release: makes a base from Debian's packages, builds the image, runs it within the
# limits of a cluster, two of it behind HAProxy while one is killed, and the Deployment as a pod; checks the alert rules.
# Needs root on Debian.
# The environment .venv must be there (sh deploy/test.sh makes it).
set -eu
cd "$(dirname "$0")/../.."
needed=
for tool in podman:podman buildah:buildah runc:runc haproxy:haproxy mmdebstrap:mmdebstrap \
    promtool:prometheus catatonit:catatonit; do
    command -v "${tool%%:*}" >/dev/null 2>&1 || needed="$needed ${tool##*:}"
done
if [ -n "$needed" ]; then
    apt-get update -qq
    # shellcheck disable=SC2086 - several names
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $needed >/dev/null
fi
# Containers on a machine that is itself a container: no systemd, no bridges.
export CONTAINERS_CONF="$PWD/deploy/container/containers.conf" BUILDAH_ISOLATION=chroot
promtool check rules deploy/monitoring/alerts.yaml
promtool test rules deploy/monitoring/alerts-test.yaml
base=localhost/ebbmark-base:bookworm
podman image exists "$base-runtime" 2>/dev/null || sh deploy/container/base.sh "$base"
mkdir -p out
PYTHON=.venv/bin/python sh deploy/container/build.sh "$base" localhost/ebbmark:check "$base-runtime" >out/image-build.txt 2>&1 ||
    { tail -30 out/image-build.txt; exit 1; }
echo "Image: $(podman image inspect --format '{{.Size}} bytes, layers {{.RootFS.Layers}}' localhost/ebbmark:check)"
exec .venv/bin/python deploy/container/check.py localhost/ebbmark:check
