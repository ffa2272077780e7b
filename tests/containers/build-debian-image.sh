#!/bin/sh
# Builds the image that the daemon's image is built on in the tests, from Debian's packages, where no image registry can
# be reached. It takes this machine's certificates and pip's settings along. Needs root and a running container engine.
#
#   tests/containers/build-debian-image.sh ROOT.tar [NAME]      default: mustwatch-test-base
set -eu

root=${1:?a Debian root as a tar file, see build-debian-root.sh}
name=${2:-mustwatch-test-base}
docker image inspect "$name" >/dev/null 2>&1 && exit 0

folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT INT TERM
docker import "$root" "$name-debian" >/dev/null
mkdir -p "$folder/files/etc/ssl/certs"
for file in /etc/ssl/certs/ca-certificates.crt /etc/pip.conf; do
    [ ! -e "$file" ] || cp "$file" "$folder/files$file"
done
printf 'FROM %s-debian\nCOPY files/ /\n' "$name" >"$folder/Dockerfile"
DOCKER_BUILDKIT=0 docker build -q -t "$name" "$folder" >/dev/null
