#!/bin/sh
# Runs tests as a 64-bit ARM machine would: in a Debian root of that architecture, its programs emulated (slow, but the
# real wheels and the real mosquitto of a Raspberry Pi). Needs root, debootstrap, qemu-user-static, binfmt-support.
#
#   tests/containers/run-on-arm64.sh [TESTS...]     default: the quick ones, and one reading's whole way
set -eu

here=$(cd "$(dirname "$0")/../.." && pwd)
python=${PYTHON:-$here/.venv/bin/python}
root=${MUSTWATCH_TEST_ARM64_ROOT:-${TMPDIR:-/tmp}/mustwatch-arm64}
[ $# -gt 0 ] || set -- tests/unit tests/contract tests/reference tests/property tests/acceptance/test_spine.py
for needed in debootstrap qemu-aarch64-static; do
    command -v "$needed" >/dev/null || { echo "$needed is missing: apt install debootstrap qemu-user-static binfmt-support" >&2; exit 1; }
done

if [ ! -e "$root/.made" ]; then
    nice debootstrap --arch=arm64 --variant=minbase --include=python3,ca-certificates,mosquitto,mosquitto-clients \
        "${DEBIAN_SUITE:-bookworm}" "$root" >"$root.log" 2>&1 || { tail -n 20 "$root.log" >&2; exit 1; }
    touch "$root/.made"
fi
rm -rf "$root/opt/site" "$root/srv/mustwatch"
mkdir -p "$root/opt/site" "$root/srv/mustwatch"
"$python" -m pip install --quiet --require-hashes --no-deps --only-binary=:all: --target "$root/opt/site" \
    --platform manylinux2014_aarch64 --platform manylinux_2_27_aarch64 --platform manylinux_2_28_aarch64 \
    --python-version 3.11 --implementation cp --abi cp311 --abi abi3 --abi none -r "$here/requirements.lock"
git -C "$here" archive HEAD | tar -x -C "$root/srv/mustwatch"

trap 'umount "$root/proc" "$root/dev"' EXIT INT TERM
mount --bind /proc "$root/proc"
mount --bind /dev "$root/dev"
nice chroot "$root" /usr/bin/env -C /srv/mustwatch LANG=C.UTF-8 PYTHONDONTWRITEBYTECODE=1 \
    PYTHONPATH=/opt/site:/srv/mustwatch/daemon:/srv/mustwatch/simulators \
    python3 -m pytest -q -p no:cacheprovider "$@"
