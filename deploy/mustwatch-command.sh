#!/bin/sh
# The command `mustwatch` on a machine where install.sh put it. The cellar's files belong to the user mustwatch, so root
# is asked for first, and the command then becomes that user; the files of whoever typed it are opened as them. With a
# configuration of their own (--config, MUSTWATCH_CONFIG) it is their own cellar, and nobody else is become.
set -eu
python=/opt/mustwatch/current/bin/python
system=/etc/mustwatch/mustwatch.toml
config=${MUSTWATCH_CONFIG:-$system}
before=
for word in "$@"; do
    case $before in --config) config=$word ;; esac
    case $word in --config=*) config=${word#--config=} ;; esac
    before=$word
done

export MUSTWATCH_CONFIG="$config"
if [ "$(id -u)" != 0 ]; then
    if [ "$config" != "$system" ] || [ "$(id -un)" = mustwatch ]; then
        exec "$python" -I -m mustwatch "$@"
    fi
    exec sudo -- "$0" "$@"
fi
if [ "${1:-}" = welcome ]; then # it writes the configuration, and calls this for everything else
    exec "$python" -I -m mustwatch "$@"
fi
export MUSTWATCH_SERVICE=mustwatch
exec setpriv --no-new-privs -- "$python" -I -m mustwatch "$@"
