#!/bin/sh
# Makes a Debian root with systemd and Python as a tar file, for the tests that install on a machine of their own and
# build the daemon's image. Needs root and debootstrap; ends at once when the file is there already.
#
#   tests/containers/build-debian-root.sh FILE.tar [SUITE]
set -eu

file=${1:?a file to write}
suite=${2:-bookworm}
[ -s "$file" ] && exit 0
command -v debootstrap >/dev/null || { echo "debootstrap is missing; install it (apt install debootstrap)" >&2; exit 1; }

root=$(mktemp -d)
trap 'rm -rf "$root" "$root.log" "$file.part"' EXIT INT TERM
nice debootstrap --variant=minbase --include=systemd,systemd-sysv,dbus,ca-certificates,python3,python3-venv \
    "$suite" "$root" >"$root.log" 2>&1 || { tail -n 20 "$root.log" >&2; exit 1; }
rm -rf "$root"/var/cache/apt/archives/*.deb "$root"/usr/share/doc/* "$root"/usr/share/man/*
chmod 755 "$root" # mktemp made it for root alone, and "/" would be so for every service in it
mkdir -p "$(dirname "$file")"
nice tar -C "$root" -cf "$file.part" .
mv "$file.part" "$file"
