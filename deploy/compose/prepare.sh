#!/bin/sh
# Makes what compose.yaml needs and no archive may hold: passwords in .env, and your configuration. Run it once; what is
# there already is left as it is.
set -eu
cd "$(dirname "$0")"
secret() { head -c 24 /dev/urandom | base64 | tr '+/' '-_' | tr -d '='; }

if [ ! -e .env ]; then
    umask 0077
    for name in MQTT_PASSWORD MQTT_CLIENT_ID WEB_TOKEN INFLUX_TOKEN INFLUX_PASSWORD GRAFANA_PASSWORD; do
        printf 'MUSTWATCH_%s=%s\n' "$name" "$(secret)"
    done >.env
    echo "made .env: the passwords of broker, pages, InfluxDB and Grafana"
fi
if [ ! -e mustwatch.toml ]; then
    umask 0022
    zone=UTC
    [ ! -e /etc/timezone ] || zone=$(cat /etc/timezone)
    sed -e "s|@TIMEZONE@|$zone|" -e 's|@BROKER_PORT@|1883|' -e 's|@BIND@|0.0.0.0|' -e 's|@PAGES_PORT@|8714|' \
        ../mustwatch.toml >mustwatch.toml
    echo "made mustwatch.toml: name your vessels and floats in it"
fi
