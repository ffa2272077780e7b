#!/bin/sh
# Builds the image in which the container tests run mosquitto, from Debian's packages, where no image registry can be
# reached. Needs root, debootstrap and a running container engine. Ends at once when the image is there already.
#
#   tests/containers/build-mosquitto-image.sh [NAME]      default: mustwatch-test-mosquitto
#   MUSTWATCH_TEST_MOSQUITTO_IMAGE=NAME make test
set -eu

name=${1:-mustwatch-test-mosquitto}
suite=${DEBIAN_SUITE:-bookworm}

if docker image inspect "$name" >/dev/null 2>&1; then
    echo "$name: there already"
    exit 0
fi
command -v debootstrap >/dev/null || { echo "debootstrap is missing; install it (apt install debootstrap)" >&2; exit 1; }

root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT INT TERM

# minbase keeps it to what mosquitto needs; nice, since tests run beside it.
nice debootstrap --variant=minbase --include=mosquitto "$suite" "$root" >"$root.log" 2>&1 || {
    echo "debootstrap failed; the last of $root.log:" >&2
    tail -n 20 "$root.log" >&2
    exit 1
}
rm -f "$root.log"
rm -rf "$root"/var/cache/apt/* "$root"/var/lib/apt/lists/* "$root"/usr/share/doc/*
nice tar -C "$root" -c . | docker import \
    --change 'CMD ["mosquitto", "-c", "/mosquitto/config/mosquitto.conf"]' \
    --change 'EXPOSE 1883' - "$name"
