#!/bin/sh
# What is done with the image before a release: makes a base from Debian's packages, builds the image, runs it within the
# limits of a cluster, two of it behind HAProxy while one is killed, and the Deployment as a pod; checks the alert rules.
# With --quick, for every change: builds it on one base and runs one within the limits; where the machine cannot, one line
# says so and why.
# Needs root on Debian. The environment .venv must be there (sh deploy/test.sh makes it).
set -eu
cd "$(dirname "$0")/../.."
quick=${1:-}
left_out() {
    echo "LEFT OUT: the image was not built and run here, since $1."
    exit 0
}
within() { # seconds, reason, command: in a quick check what takes longer or fails is left out
    seconds=$1 reason=$2
    shift 2
    if [ "$quick" ]; then timeout "$seconds" "$@" >out/image-base.txt 2>&1 || left_out "$reason"; else "$@"; fi
}
mkdir -p out
tools="podman:podman buildah:buildah runc:runc mmdebstrap:mmdebstrap"
[ "$quick" ] || tools="$tools haproxy:haproxy promtool:prometheus catatonit:catatonit"
needed=
for tool in $tools; do
    command -v "${tool%%:*}" >/dev/null 2>&1 || needed="$needed ${tool##*:}"
done
if [ -n "$needed" ]; then
    [ -z "$quick" ] || [ "$(id -u)" = 0 ] || left_out "there is no$needed and nobody may install it"
    within 30 "the lists of packages are out of reach" apt-get update -qq
    # shellcheck disable=SC2086 - several names
    within 60 "these could not be installed within 60 s:$needed" env DEBIAN_FRONTEND=noninteractive \
        apt-get install -y -qq --no-install-recommends $needed
fi
# Containers on a machine that is itself a container: no systemd, no bridges.
export CONTAINERS_CONF="$PWD/deploy/container/containers.conf" BUILDAH_ISOLATION=chroot
base=localhost/ebbmark-base:bookworm runtime=$base-runtime
if [ "$quick" ]; then
    runtime=$base
else
    promtool check rules deploy/monitoring/alerts.yaml
    promtool test rules deploy/monitoring/alerts-test.yaml
fi
podman image exists "$base" && podman image exists "$runtime" ||
    within 90 "its base was not made within 90 s" sh deploy/container/base.sh "$base" $quick
within 20 "no container runs on this machine" podman run --rm --network=host --read-only --memory=300m "$base" python3 -c ""
PYTHON=.venv/bin/python sh deploy/container/build.sh "$base" localhost/ebbmark:check "$runtime" >out/image-build.txt 2>&1 ||
    { tail -30 out/image-build.txt; exit 1; }
echo "Image: $(podman image inspect --format '{{.Size}} bytes, layers {{.RootFS.Layers}}' localhost/ebbmark:check)"
exec .venv/bin/python deploy/container/check.py localhost/ebbmark:check $quick
