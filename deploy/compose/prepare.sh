#!/bin/sh
# Makes what compose.yaml needs and no archive may hold: passwords in .env, and your configuration. Run it once; what is
# there already is left as it is.
#
#   ./prepare.sh          the pages are for this machine only
#   ./prepare.sh --lan    phones in the house may see them, with the token (MUSTWATCH_WEB_TOKEN in .env)
set -eu
cd "$(dirname "$0")"
case ${1:-} in
    "" | --lan) ;;
    *) echo "prepare.sh: $1 is not known; expected nothing or --lan" >&2; exit 2 ;;
esac
secret() { head -c 24 /dev/urandom | base64 | tr '+/' '-_' | tr -d '='; }

if [ ! -e .env ]; then
    umask 0077
    for name in MQTT_PASSWORD MQTT_CLIENT_ID WEB_TOKEN INFLUX_TOKEN INFLUX_PASSWORD GRAFANA_PASSWORD; do
        printf 'MUSTWATCH_%s=%s\n' "$name" "$(secret)"
    done >.env
    echo "made .env: the passwords of broker, pages, InfluxDB and Grafana"
fi
if [ "${1:-}" = --lan ] && ! grep -q '^MUSTWATCH_PAGES_ADDRESS=' .env; then
    echo "MUSTWATCH_PAGES_ADDRESS=0.0.0.0" >>.env
fi
if [ ! -e mustwatch.toml ]; then
    umask 0022
    zone=UTC
    [ ! -e /etc/timezone ] || zone=$(cat /etc/timezone)
    cat >mustwatch.toml <<'TEXT'
# The configuration of this cellar. Every key, with what it means, is in config/mustwatch.example.toml.
# After a change, in deploy/compose (where compose is a program of its own, docker-compose):
#   docker compose run --rm access && docker compose kill -s HUP broker && docker compose restart daemon
# Passwords and tokens are in .env beside this file.

TEXT
    sed -e '1,/^$/d' -e 's|secrets.env|.env|' -e "s|@TIMEZONE@|$zone|" -e 's|@BROKER_PORT@|1883|' \
        -e 's|@BIND@|0.0.0.0|' -e 's|@PAGES_PORT@|8714|' ../mustwatch.toml >>mustwatch.toml
    echo "made mustwatch.toml: name your vessels and floats in it"
fi
