#!/bin/sh
# Starts a real FHIR R4 record (HAPI FHIR JPA on an embedded database) on this machine only, for local use and tests.
# Builds it first, and again whenever its sources change. Prints the base URL once it answers; stops on Ctrl-C or TERM.
# Needs Java 17 or newer, and Maven for the first build. Usage: sh deploy/record.sh [--port 8099] [--data FOLDER]
# Port 0 takes any free one. Without --data nothing is kept after the stop.
set -eu
port=8099
data=
while [ $# -gt 0 ]; do
    case $1 in
    --port) port=${2:?"--port needs a number"} && shift 2 ;;
    --data) data=${2:?"--data needs a folder"} && shift 2 ;;
    *)
        echo "Unknown option $1. Usage: sh deploy/record.sh [--port 8099] [--data FOLDER]" >&2
        exit 2
        ;;
    esac
done
if [ -n "$data" ]; then
    mkdir -p "$data"
    data=$(cd "$data" && pwd)
fi

cd "$(dirname "$0")/record"
for tool in java sha256sum; do
    command -v "$tool" >/dev/null 2>&1 || { echo "$tool is needed and was not found." >&2; exit 1; }
done

# Two starts at once must not build over each other, where the system has a lock to offer.
exec 9>.build.lock
if command -v flock >/dev/null 2>&1; then flock 9; fi

# The stamp is the sources' digest, so a build is as old as its sources and no older.
stamp=target/built.sha256
sources=$(find pom.xml src -type f | LC_ALL=C sort | xargs sha256sum)
if [ ! -f "$stamp" ] || [ "$sources" != "$(cat "$stamp")" ]; then
    command -v mvn >/dev/null 2>&1 || { echo "mvn is needed for the first build and was not found." >&2; exit 1; }
    echo "Building the record (first run, or its sources changed) ..." >&2
    rm -rf target
    MAVEN_OPTS="${MAVEN_OPTS:-} -Xmx1g" mvn --quiet --batch-mode -Dstyle.color=never package >&2 9>&-
    printf '%s\n' "$sources" >"$stamp"
fi
exec 9>&-

# Half of the time to start goes into compiling methods that run once: the first compiler and the plainest collector
# bring the first answer earlier.
exec java -Xmx1g -XX:+UseSerialGC -XX:TieredStopAtLevel=1 -jar target/record.jar --port "$port" \
    ${data:+--data "$data"}
