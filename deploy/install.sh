#!/usr/bin/env bash
# Installs mustwatch on Debian 12 or newer, or Raspberry Pi OS (64-bit). May be run again at any time: what is in order
# is left as it is, your configuration and data are never overwritten.
set -euo pipefail

usage() {
  cat <<'TEXT'
usage: sudo deploy/install.sh install   [--from WHAT] [--lan] [--no-broker | --broker] [--parquet] [--timezone TZ] [--broker-port N] [--pages-port N]
       sudo deploy/install.sh install   --archive FILE [--from WHAT]
       sudo deploy/install.sh upgrade   [--from WHAT]
       sudo deploy/install.sh archive   [FILE]
       sudo deploy/install.sh phone
       sudo deploy/install.sh rollback
       sudo deploy/install.sh uninstall [--purge]

  --from WHAT       a wheel, the folder of the sources, a URL, or a name that pip knows
                    (default: the sources this script lies in)
  --lan             let phones in the house see the pages, with the token in /etc/mustwatch/secrets.env
  --no-broker       leave the broker alone: you run one already; set [mqtt] in /etc/mustwatch/mustwatch.toml.
                    It is remembered; --broker has one set up here after all
  --parquet         can export Parquet too (45 MB more)
  --timezone TZ     of the cellar (default: this machine's)
  --broker-port N   (default 1883)    --pages-port N   (default 8714)      (when it is installed first)
  --archive FILE    the cellar that `archive` wrote down, brought back onto a new card: store, configuration, passwords
  --purge           remove the configuration, the readings and the cellar book too

phone shows the pages' address once more, as a QR code that signs a phone in.
archive writes all of a cellar into one file that only root can read: it holds passwords. Keep it on another machine.
upgrade makes a backup first, and goes back by itself if the new version does not come up.
TEXT
}

# The card need not keep what pip fetched.
export PIP_NO_CACHE_DIR=${PIP_NO_CACHE_DIR-1}
readonly opt=/opt/mustwatch etc=/etc/mustwatch var=/var/lib/mustwatch user=mustwatch
readonly unit=/etc/systemd/system/mustwatch.service
readonly man=/usr/local/share/man/man1 bash=/usr/local/share/bash-completion/completions/mustwatch
readonly zsh=/usr/local/share/zsh/site-functions/_mustwatch
readonly broker_conf=/etc/mosquitto/conf.d/mustwatch.conf
here=$(cd "$(dirname "$(readlink -f "$0")")" && pwd)
readonly here

say() { printf '%s\n' "$*"; }
fail() { printf 'install.sh: %s\n' "$*" >&2; exit 1; }

workspace=
new_release=
clean_up() {
  [ -z "$workspace" ] || rm -rf "$workspace"
  # A release that was begun and not put in use is of no use to anybody.
  [ -z "$new_release" ] || rm -rf "$new_release"
}
trap clean_up EXIT

# --- what this machine must have ----------------------------------------------------------------------------------

need_machine() {
  [ "$(id -u)" = 0 ] || fail "must be root: sudo $0 $*"
  command -v systemctl >/dev/null || fail "no systemd here; see the compose file in deploy/compose instead"
  command -v apt-get >/dev/null || fail "no apt-get here; this script is for Debian and Raspberry Pi OS"
  case $(dpkg --print-architecture) in # of the system: a 64-bit kernel may run a 32-bit one
    amd64 | arm64) ;;
    *) fail "this system is $(dpkg --print-architecture); expected a 64-bit one (Raspberry Pi OS 64-bit)" ;;
  esac
}

need_packages() {
  local missing=() package
  for package in "$@"; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
  done
  [ ${#missing[@]} -eq 0 ] && return
  say "installing ${missing[*]}"
  export DEBIAN_FRONTEND=noninteractive
  apt-get install -y -qq --no-install-recommends "${missing[@]}" >"$workspace/apt.log" 2>&1 ||
    { apt-get update -qq && apt-get install -y -qq --no-install-recommends "${missing[@]}"; } >"$workspace/apt.log" 2>&1 ||
    { tail -n 20 "$workspace/apt.log" >&2; fail "could not install ${missing[*]}; see the lines above"; }
}

need_python() {
  python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    fail "python3 is $(python3 --version 2>&1); expected 3.11 or newer (Debian 12, Raspberry Pi OS Bookworm)"
}

# --- a release: the program with all it needs, in a folder of its own ---------------------------------------------

build_release() { # WHAT: leaves the wheel in $wheel
  local what=$1
  mkdir -p "$workspace/wheel"
  if [ -f "$what" ] && [ "${what%.whl}" != "$what" ]; then
    cp "$what" "$workspace/wheel/"
  else
    say "fetching mustwatch from $what"
    python3 -m venv "$workspace/builder"
    "$workspace/builder/bin/pip" install --quiet --no-input --require-hashes -r "$here/build.lock" ||
      fail "could not get what builds mustwatch; is there a network?"
    "$workspace/builder/bin/pip" wheel --quiet --no-deps --no-build-isolation --wheel-dir "$workspace/wheel" "$what" ||
      fail "could not get mustwatch from $what"
  fi
  wheel=$(find "$workspace/wheel" -name 'mustwatch-*.whl' | head -n 1)
  [ -n "$wheel" ] || fail "$what holds no mustwatch"
  locks=(-r "$here/requirements.lock")
  if [ "$with_parquet" = yes ] || [ -e "$opt/with-parquet" ]; then
    locks+=(-r "$here/parquet.lock")
  fi
  mark=$(cat "$wheel" "${locks[@]/#-r//dev/null}" | sha256sum | cut -d' ' -f1)
}

own_source() { # the sources this script lies in; where it was installed, the wheel it came with
  if [ -e "$here/../pyproject.toml" ]; then
    echo "$here/.."
  else
    find "$opt/current/" -maxdepth 1 -name 'mustwatch-*.whl'
  fi
}

make_release() { # makes $new_release from $wheel, unless the release in use is the same
  if [ "$(cat "$opt/current/.mark" 2>/dev/null)" = "$mark" ]; then
    say "this version is installed already"
    return 1
  fi
  local version
  version=$(basename "$wheel" | cut -d- -f2)
  mkdir -p "$opt/releases"
  new_release=$opt/releases/$version-$(date -u +%Y%m%dT%H%M%SZ)
  say "installing $version (a few minutes on a Pi)"
  # Each says for itself that it failed: in a function that is asked for its answer the shell does not end by itself.
  python3 -m venv "$new_release" || fail "could not make a virtual environment in $new_release"
  "$new_release/bin/pip" install --quiet --no-input --require-hashes "${locks[@]}" ||
    fail "could not install what mustwatch needs; is there a network, and room on the card?"
  "$new_release/bin/pip" install --quiet --no-deps "$wheel" || fail "could not install $wheel"
  "$new_release/bin/mustwatch" --version >/dev/null || fail "the new version does not start"
  cp "$wheel" "$new_release/"
  [ ${#locks[@]} -eq 2 ] || touch "$opt/with-parquet"
  echo "$mark" >"$new_release/.mark"
}

put_in_use() { # $new_release becomes the one in use, the former one stays for a rollback
  local former
  former=$(readlink "$opt/current" 2>/dev/null || true)
  [ -z "$former" ] || ln -sfn "$former" "$opt/previous"
  ln -sfn "$new_release" "$opt/current"
  new_release=
  install -d -m 0755 "$opt/deploy"
  if [ "$here" != "$opt/deploy" ]; then
    install -m 0755 "$here/install.sh" "$here/broker_access.py" "$here/manual.py" "$here/mustwatch-command.sh" "$opt/deploy/"
    install -m 0644 "$here"/*.lock "$here/mustwatch.service" "$here/mustwatch.toml" "$opt/deploy/"
  fi
  drop_old_releases
}

drop_old_releases() {
  local release
  for release in "$opt"/releases/*/; do
    release=${release%/}
    [ "$release" = "$(readlink "$opt/current")" ] || [ "$release" = "$(readlink "$opt/previous" || true)" ] ||
      rm -rf "$release"
  done
}

# --- user, folders, commands, configuration -----------------------------------------------------------------------

make_user() {
  id "$user" >/dev/null 2>&1 ||
    useradd --system --user-group --home-dir "$var" --no-create-home --shell /usr/sbin/nologin "$user"
  install -d -m 0750 -o "$user" -g "$user" "$var"
  install -d -m 0750 -o root -g "$user" "$etc"
}

make_commands() {
  install -m 0755 "$here/mustwatch-command.sh" /usr/local/bin/mustwatch
  cat >/usr/local/sbin/mustwatch-broker <<'TEXT'
#!/bin/sh
# The broker's users and rules; see mustwatch-broker --help.
set -eu
[ "$(id -u)" = 0 ] || exec sudo -- "$0" "$@"
while IFS='=' read -r key value || [ -n "$key" ]; do
    case $key in MUSTWATCH_*) export "$key=$value" ;; esac
done </etc/mustwatch/secrets.env
exec /opt/mustwatch/current/bin/python -I /opt/mustwatch/deploy/broker_access.py "$@"
TEXT
  chmod 0755 /usr/local/sbin/mustwatch-broker
  rm -f "$man"/mustwatch*.1
  "$opt/current/bin/python" -I "$here/manual.py" "$man" "$bash" "$zsh" || say "note: no manual pages could be written"
}

secret() { head -c 18 /dev/urandom | base64 | tr '+/' '-_'; }

make_configuration() {
  local example
  # The broker keeps what waits for mustwatch under the client id: who knows it could take that.
  [ -e "$etc/secrets.env" ] ||
    (umask 0077 && printf 'MUSTWATCH_MQTT__CLIENT_ID=mustwatch-%s
MUSTWATCH_WEB__TOKEN=%s
' "$(secret)" "$(secret)" \
      >"$etc/secrets.env")
  chown root:root "$etc/secrets.env"
  chmod 0600 "$etc/secrets.env"
  if [ "$with_broker" = no ]; then
    touch "$etc/own-broker"
  else
    rm -f "$etc/own-broker"
    grep -q '^MUSTWATCH_MQTT__PASSWORD=' "$etc/secrets.env" ||
      printf 'MUSTWATCH_MQTT__PASSWORD=%s\n' "$(secret)" >>"$etc/secrets.env"
  fi
  if [ ! -e "$etc/mustwatch.toml" ]; then
    sed -e "s|@TIMEZONE@|$timezone|" -e "s|@BROKER_PORT@|$broker_port|" -e "s|@BIND@|$bind|" \
      -e "s|@PAGES_PORT@|$pages_port|" "$here/mustwatch.toml" >"$etc/mustwatch.toml"
  fi
  example=$(find "$opt/current/lib" -path '*/mustwatch/shipped/mustwatch.example.toml' | head -n 1)
  [ -z "$example" ] || install -m 0640 -g "$user" "$example" "$etc/mustwatch.example.toml"
  chown "root:$user" "$etc/mustwatch.toml"
  chmod 0640 "$etc/mustwatch.toml"
  # The person's own password for their own broker; one that was made here before is not put over it.
  if [ "$with_broker" = no ] && own_password; then
    sed -i '/^MUSTWATCH_MQTT__PASSWORD=/d' "$etc/secrets.env"
  fi
}

own_password() {
  python3 -c 'import sys, tomllib
sys.exit(not tomllib.load(open(sys.argv[1], "rb")).get("mqtt", {}).get("password"))' "$etc/mustwatch.toml" 2>/dev/null
}

machine_timezone() {
  if [ -e /etc/timezone ]; then cat /etc/timezone; else readlink /etc/localtime | sed 's|.*/zoneinfo/||'; fi
}

# --- a whole cellar in one file -----------------------------------------------------------------------------------

do_archive() { # [FILE]
  [ -e "$opt/current" ] || fail "mustwatch is not installed"
  local file=${archive:-mustwatch-$(date -u +%Y%m%dT%H%M%SZ).tar.gz} stage=$workspace/archive name
  umask 0077
  mkdir -p "$stage/etc" "$stage/broker"
  cp -a "$etc/." "$stage/etc/"
  rm -f "$stage/etc/mustwatch.example.toml"
  for name in mustwatch.passwords mustwatch.acl; do
    [ ! -e "/etc/mosquitto/$name" ] || cp "/etc/mosquitto/$name" "$stage/broker/"
  done
  if [ -e "$var/cellar.db" ]; then
    /usr/local/bin/mustwatch backup --out "$stage/cellar.db" >/dev/null || fail "the store could not be backed up"
  fi
  tar -C "$stage" -czf "$file.part" . || { rm -f "$file.part"; fail "could not write $file"; }
  mv "$file.part" "$file"
  say "$file holds, for root alone to read:"
  say "  the configuration and its passwords and tokens ($etc)"
  [ ! -e "$stage/broker/mustwatch.passwords" ] || say "  the floats' passwords, hashed, and who may write where"
  [ ! -e "$stage/cellar.db" ] || say "  the store: readings and cellar book, read back and found the same"
  say "Bring it onto another machine. There:  sudo deploy/install.sh install --archive FILE"
}

unpack_archive() { # puts configuration, passwords and store in place; the rest of the installation finds them there
  local stage=$workspace/archive file
  if [ -e "$etc/mustwatch.toml" ] || [ -e "$var/cellar.db" ]; then
    fail "there is a cellar here already ($etc, $var); an archive is for a new card"
  fi
  mkdir -p "$stage"
  tar --no-same-owner --no-same-permissions -C "$stage" -xzf "$archive" || fail "$archive cannot be read as an archive"
  [ -f "$stage/etc/mustwatch.toml" ] || fail "$archive is no archive of mustwatch: it holds no configuration"
  make_user
  cp -R "$stage/etc/." "$etc/"
  chown -R "root:$user" "$etc"
  find "$etc" -type f -exec chmod 0640 {} +
  mkdir -p /etc/mosquitto
  for file in "$stage"/broker/*; do
    [ ! -f "$file" ] || install -m 0640 "$file" /etc/mosquitto/
  done
  [ ! -f "$stage/cellar.db" ] || install -m 0600 -o "$user" -g "$user" "$stage/cellar.db" "$var/cellar.db"
  say "brought back from $archive: configuration, passwords$([ ! -f "$stage/cellar.db" ] || echo ", store")"
}

# --- broker -------------------------------------------------------------------------------------------------------

refuse_foreign_broker() { # a broker that somebody set up for something else is not ours to change
  local other
  other=$(grep -lE '^[[:space:]]*(listener|port|allow_anonymous|password_file|acl_file|per_listener_settings)[[:space:]]' \
    /etc/mosquitto/mosquitto.conf /etc/mosquitto/conf.d/*.conf 2>/dev/null | grep -vx "$broker_conf" || true)
  [ -z "$other" ] || fail "the broker here is set up already in ${other//$'\n'/, }: run this with --no-broker to use it \
as it is, or move that file away. Nothing was changed"
  [ -e "$broker_conf" ] || ! { exec 3<>"/dev/tcp/127.0.0.1/$broker_port"; } 2>/dev/null ||
    dpkg-query -W -f='${Status}' mosquitto 2>/dev/null | grep -q 'ok installed' ||
    fail "something answers on port $broker_port already: run this with --no-broker to use that broker, or with another \
--broker-port. Nothing was changed"
}

make_broker() {
  need_packages mosquitto
  systemctl -q enable mosquitto
  /usr/local/sbin/mustwatch-broker --set-up sync
  systemctl is-active -q mosquitto || systemctl restart mosquitto
}

# --- service ------------------------------------------------------------------------------------------------------

make_service() {
  if ! cmp -s "$here/mustwatch.service" "$unit"; then
    install -m 0644 "$here/mustwatch.service" "$unit"
    systemctl daemon-reload
  fi
  systemctl -q enable mustwatch
}

comes_up() { # it says itself when it is ready (Type=notify); a few seconds more show whether it stays
  systemctl restart mustwatch || return 1
  local restarts
  restarts=$(systemctl show -p NRestarts --value mustwatch)
  sleep "${MUSTWATCH_INSTALL_SETTLE:-8}"
  systemctl is-active -q mustwatch && [ "$(systemctl show -p NRestarts --value mustwatch)" = "$restarts" ]
}

check_configuration() {
  /usr/local/bin/mustwatch check --config-only >"$workspace/check" 2>&1 ||
    { cat "$workspace/check" >&2; fail "the configuration has faults: mend them and run this again"; }
}

# --- what can be asked for ----------------------------------------------------------------------------------------

do_install() {
  [ -z "$archive" ] || [ -f "$archive" ] || fail "$archive is not there; expected a file that \`archive\` wrote"
  if [ -z "$with_broker" ]; then
    with_broker=yes
    if [ -e "$etc/own-broker" ] || { [ -n "$archive" ] && tar -tzf "$archive" ./etc/own-broker >/dev/null 2>&1; }; then
      with_broker=no
    fi
  fi
  [ "$with_broker" = no ] || refuse_foreign_broker
  [ -z "$archive" ] || [ ! -e "$etc/mustwatch.toml" ] || fail "there is a cellar here already ($etc); an archive is for a new card"
  need_packages python3 python3-venv ca-certificates adduser util-linux
  need_python
  build_release "${from:-$(own_source)}"
  local is_new=false
  if make_release; then
    if [ -e "$opt/current" ]; then
      say "another version is installed: this is an upgrade"
      upgrade_to_new_release
      return
    fi
    make_user
    [ -z "$archive" ] || unpack_archive
    put_in_use
    is_new=true
  else
    make_user
  fi
  make_commands
  make_configuration
  [ "$with_broker" = no ] || make_broker
  check_configuration
  make_service
  if $is_new || ! systemctl is-active -q mustwatch; then
    comes_up || { journalctl -u mustwatch -n 20 --no-pager >&2 || true; fail "the service does not come up; see above"; }
  fi
  say_what_is_next
}

do_phone() { # the pages' address for a phone, with a link that signs it in
  local found bind token link
  found=$("$opt/current/bin/python" -I - <<'PY'
import os, shlex
from pathlib import Path
from mustwatch.cli.person import take_secrets
take_secrets()
from mustwatch.cli.welcome import address
from mustwatch.config.settings import load
from urllib.parse import quote
web = load(Path("/etc/mustwatch/mustwatch.toml")).web
where = web.base_url or f"http://{address() if web.bind in ('0.0.0.0', '::') else web.bind}:{web.port}"
print(web.bind, where, quote(web.token.get_secret_value(), safe="") if web.token else "-")
PY
  ) || return 0
  read -r bind link token <<<"$found"
  if [ "$bind" = 127.0.0.1 ]; then
    say "The pages are for this machine only: $link/"
    say "For phones in the house: bind = \"0.0.0.0\" in [web] of $etc/mustwatch.toml, then sudo systemctl restart mustwatch"
    return
  fi
  say "The pages, for a phone in the house: $link/"
  [ "$token" = - ] || link=$link/enter#$token
  say "This link signs a phone in; whoever has it sees the cellar:"
  say "  $link"
  (need_packages qrencode) >/dev/null 2>&1 || return 0
  qrencode -t UTF8 -m 2 "$link"
}

say_what_is_next() {
  say
  say "mustwatch keeps watch."
  do_phone
  say
  say "Next:"
  say "  sudo mustwatch welcome                walks through all that follows, to the first reading"
  if [ "$with_broker" = no ]; then
    say "  sudo nano $etc/mustwatch.toml   your broker: host, port, username, password in [mqtt]"
    say "  sudo systemctl restart mustwatch"
    say "  sudo mustwatch check                  is everything in order?"
    say "  sudo mustwatch-broker add float-1     what to enter in your broker for your first float"
  else
    say "  sudo mustwatch check                  is everything in order?"
    say "  sudo mustwatch-broker add float-1     let your first float in; prints its password"
  fi
  say "  sudo mustwatch listen                 what arrives, and the entry to copy into $etc/mustwatch.toml"
}

do_upgrade() {
  [ -e "$opt/current" ] || fail "mustwatch is not installed yet: $0 install"
  need_python
  build_release "${from:-$(own_source)}"
  if make_release; then upgrade_to_new_release; fi
}

# The service may put a link in place of any file of its own, so what lies there is touched as the service.
as_service() { setpriv --reuid="$user" --regid="$user" --clear-groups -- "$@"; }

schema() { # of the store as it lies on the disk; "" if there is none
  [ -e "$var/cellar.db" ] || return 0
  as_service python3 -I - "$var/cellar.db" <<'PY'
import sqlite3, sys
with sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True) as store:
    print(max((row[0] for row in store.execute("SELECT version FROM migration")), default=0))
PY
}

store_of_configuration() {
  "$opt/current/bin/python" -I - <<'PY'
from pathlib import Path
from mustwatch.config.settings import load
print(load(Path("/etc/mustwatch/mustwatch.toml")).store.path.expanduser())
PY
}

upgrade_to_new_release() {
  local before backup="" store
  store=$(store_of_configuration)
  [ "$store" = "$var/cellar.db" ] || say "note: the store is $store; make sure that it has a backup"
  systemctl stop mustwatch || true
  before=$(schema)
  if [ -n "$before" ]; then
    backup=$var/backups/before-upgrade-$(date -u +%Y%m%dT%H%M%SZ).db
    say "backing up to $backup"
    as_service "$opt/current/bin/python" -I - "$backup" <<'PY' || {
import sys
from pathlib import Path
from mustwatch.store.backup import write_backup
write_backup(Path("/var/lib/mustwatch/cellar.db"), Path(sys.argv[1]))
PY
      systemctl start mustwatch
      fail "no backup could be made, so nothing was changed"
    }
    echo "$backup" >"$opt/backup-of-upgrade"
  fi
  echo "$before" >"$opt/schema-before-upgrade"
  put_in_use
  make_commands
  make_service
  if comes_up; then
    say "upgraded to $("$opt/current/bin/mustwatch" --version)"
    return
  fi
  journalctl -u mustwatch -n 20 --no-pager >&2 || true
  say "the new version does not come up: going back"
  go_back
  fail "the upgrade was undone; the former version keeps watch. See the lines above for what was wrong"
}

go_back() {
  local failed former backup aside
  former=$(readlink "$opt/previous") || fail "there is no former version to go back to"
  failed=$(readlink "$opt/current")
  systemctl stop mustwatch || true
  if [ "$(schema)" != "$(cat "$opt/schema-before-upgrade" 2>/dev/null || schema)" ]; then
    # The former version cannot read the store as the newer one left it.
    backup=$(cat "$opt/backup-of-upgrade")
    aside=$var/cellar.db.of-$(basename "$failed")
    if ! (umask 0077 && as_service cp -- "$backup" "$var/cellar.db.back"); then
      systemctl start mustwatch || true
      fail "$backup is nothing that the service can read, so nothing was changed"
    fi
    say "the store goes back to $backup; the newer one is kept as $aside"
    for companion in -wal -shm; do
      [ ! -e "$var/cellar.db$companion" ] || as_service mv "$var/cellar.db$companion" "$aside$companion"
    done
    as_service mv "$var/cellar.db" "$aside"
    as_service mv "$var/cellar.db.back" "$var/cellar.db"
  fi
  ln -sfn "$former" "$opt/current"
  rm -f "$opt/previous"
  rm -rf "$failed"
  comes_up || fail "the former version does not come up either: journalctl -u mustwatch"
}

do_rollback() {
  [ -e "$opt/previous" ] || fail "there is no former version to go back to"
  go_back
  say "back to $("$opt/current/bin/mustwatch" --version)"
}

do_uninstall() {
  systemctl -q disable --now mustwatch 2>/dev/null || true
  rm -f "$unit" /usr/local/bin/mustwatch /usr/local/sbin/mustwatch-broker "$man"/mustwatch*.1 "$bash" "$zsh"
  systemctl daemon-reload
  rm -rf "$opt"
  if [ -e "$broker_conf" ]; then
    rm -f "$broker_conf"
    [ "$purge" = no ] || rm -f /etc/mosquitto/mustwatch.acl /etc/mosquitto/mustwatch.passwords
    systemctl restart mosquitto || true
  fi
  if [ "$purge" = yes ]; then
    rm -rf "$etc" "$var"
    userdel "$user" 2>/dev/null || true
    say "mustwatch is gone, with its readings, its book and its configuration. The package mosquitto stays."
  else
    say "mustwatch is gone. Kept: $etc (configuration), $var (readings and book). The package mosquitto stays."
  fi
}

from="" with_parquet=no archive="" with_broker="" bind=127.0.0.1 timezone="" broker_port=1883 pages_port=8714 purge=no
does=${1:-}
[ $# -eq 0 ] || shift
while [ $# -gt 0 ]; do
  case $1 in
    --from) from=${2:?--from needs a wheel, a folder, a URL or a name}; shift ;;
    --lan) bind=0.0.0.0 ;;
    --no-broker) with_broker=no ;;
    --broker) with_broker=yes ;;
    --timezone) timezone=${2:?}; shift ;;
    --broker-port) broker_port=${2:?}; shift ;;
    --pages-port) pages_port=${2:?}; shift ;;
    --archive) archive=${2:?--archive needs a file that archive wrote}; shift ;;
    --parquet) with_parquet=yes ;;
    --purge) purge=yes ;;
    -*) usage >&2; fail "$1 is not known" ;;
    *)
      if [ "$does" != archive ] || [ -n "$archive" ]; then
        usage >&2
        fail "$1 is not known"
      fi
      archive=$1
      ;;
  esac
  shift
done
case $does in
  install | upgrade | rollback | uninstall | archive | phone)
    need_machine "$does"
    workspace=$(mktemp -d)
    timezone=${timezone:-$(machine_timezone)}
    timezone=${timezone:-UTC}
    "do_$does"
    ;;
  -h | --help | help) usage ;;
  *) usage >&2; exit 2 ;;
esac
