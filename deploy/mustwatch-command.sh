#!/bin/sh
# The command `mustwatch` on a machine where install.sh put it. The cellar's files belong to the user mustwatch, so the
# command becomes that user; as root it first reads the secrets that only root can read.
set -eu
program=/opt/mustwatch/current/bin/mustwatch
secrets=/etc/mustwatch/secrets.env
: "${MUSTWATCH_CONFIG:=/etc/mustwatch/mustwatch.toml}"
export MUSTWATCH_CONFIG

if [ "$(id -un)" = mustwatch ]; then
    exec "$program" "$@"
fi
if [ "$(id -u)" != 0 ]; then
    exec sudo -- "$0" "$@"
fi
if [ -r "$secrets" ]; then
    while IFS='=' read -r key value || [ -n "$key" ]; do
        case $key in
            MUSTWATCH_*) value=${value#[\"\']}; value=${value%[\"\']}; export "$key=$value" ;;
        esac
    done <"$secrets"
fi
umask 0077
HOME=/var/lib/mustwatch
export HOME
exec setpriv --reuid=mustwatch --regid=mustwatch --clear-groups --no-new-privs -- "$program" "$@"
