#!/usr/bin/env python3
"""Who may say what on the broker: mosquitto's users and access rules, made from mustwatch's configuration.

    mustwatch-broker sync                   make the rules fit the configuration (after [[sensor]] or [mqtt] changed)
    mustwatch-broker add NAME [TOPIC ...]   let a new float in, configured or not; prints its password, once
    mustwatch-broker password NAME          give a float a new password; prints it, once
    mustwatch-broker remove NAME            shut it out
    mustwatch-broker list                   who may write where, and who has no password yet

Every sensor of the configuration is a user named by its id, who may write its own topics and read nothing. A float that
is not configured yet (`add`) may write to ``cellar/NAME`` and below, or to the topics given: so that `mustwatch listen`
can show what it sends. The daemon reads everything and writes nothing. Nobody comes in without a password.

A broker of your own (installed with --no-broker) is never written to: the same commands say what to enter there.
"""

import argparse
import base64
import grp
import hashlib
import os
import secrets
import subprocess
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

DAEMON_USER = "mustwatch"
ITERATIONS = 1_000
"""Rounds of PBKDF2. Passwords made here have 144 random bits, so that rounds add nothing; a password of your own given
by hand is made a little dearer to guess without keeping a Pi's broker busy at each connection."""
SALT_BYTES, HASH_BYTES = 12, 64
"""Sizes of mosquitto 2's password hashes. Source: mosquitto_passwd(1) and the files it writes (form ``$7$``)."""


class AccessError(Exception):
    """What was asked cannot be; the text says why and what to do."""


@dataclass(frozen=True)
class Places:
    """Where everything is."""

    access: Path
    conf: Path
    guests: Path

    @property
    def passwords(self) -> Path:
        """Return mosquitto's password file."""
        return self.access / "mustwatch.passwords"

    @property
    def rules(self) -> Path:
        """Return mosquitto's file of access rules."""
        return self.access / "mustwatch.acl"


def user_of(sensor_id: str) -> str:
    """Return a sensor's user name: its id, but for the colon, which ends a name in a password file."""
    return sensor_id.replace(":", "_")


def checked_name(name: str) -> str:
    """Return a user name if it can be one.

    Raises:
        AccessError: it cannot.
    """
    if not name or name != name.strip() or any(c in name for c in ":/#+") or not name.isprintable():
        raise AccessError(
            f"name {name!r}; expected plain letters without : / # + and without spaces around it"
        )
    if name == DAEMON_USER:
        raise AccessError(f"{DAEMON_USER} is the daemon itself; choose another name")
    return name


def checked_topic(topic: str) -> str:
    """Return a topic pattern if a rule can hold it.

    Raises:
        AccessError: it cannot, or it would let a float write everywhere.
    """
    levels = topic.split("/")
    if not topic or not topic.isprintable() or levels[0] in ("", "#", "+") or topic.startswith("$"):
        raise AccessError(
            f"topic {topic!r}; expected one that begins with a name of its own, e.g. cellar/float-1"
        )
    if any(("#" in level or "+" in level) and len(level) > 1 for level in levels) or "#" in levels[:-1]:
        raise AccessError(f"topic {topic!r}; + and # stand for whole levels, # only at the end")
    return topic


def checked_exact(sensor_id: str, topic: str) -> str:
    """Return a sensor's topic if it is one topic and one line.

    Raises:
        AccessError: it would let the sensor write elsewhere, or put a rule of its own into the file.
    """
    if not topic or not topic.isprintable() or "+" in topic or "#" in topic or topic.startswith("$"):
        raise AccessError(
            f"sensor {sensor_id!r}: topic {topic!r}; expected one topic, without + and #, in one line"
        )
    return topic


def guests_in(text: str) -> dict[str, tuple[str, ...]]:
    """Return the users added by hand, with their topics, from lines of tab-separated words."""
    lines = (line.split("\t") for line in text.splitlines() if line.strip() and not line.startswith("#"))
    return {name: tuple(topics) for name, *topics in lines}


def guests_text(guests: Mapping[str, Iterable[str]]) -> str:
    """Return the same as a file's text."""
    head = "# Written by mustwatch-broker: floats let in by hand, each with the topics it may write to.\n"
    return head + "".join("\t".join((name, *topics)) + "\n" for name, topics in sorted(guests.items()))


def writers(
    sensors: Mapping[str, Iterable[str]], guests: Mapping[str, Iterable[str]]
) -> dict[str, list[str]]:
    """Return every user with the topics it may write to.

    Args:
        sensors: the configured ones, by id: their topics.
        guests: those let in by hand. Topics given to a name that is a sensor's are added to the sensor's own; the
            topics of a guest that were not given but are its welcome (``cellar/NAME``) end once it is configured.

    Raises:
        AccessError: two sensors would share a user name.
    """
    found: dict[str, list[str]] = {}
    for sensor_id, topics in sensors.items():
        name = user_of(sensor_id)
        if name in found or name == DAEMON_USER:
            raise AccessError(f"sensor {sensor_id!r}: its user name {name!r} is taken; give it another id")
        found[name] = sorted(checked_exact(sensor_id, topic) for topic in topics)
    for name, topics in guests.items():
        if name not in found:
            found[name] = sorted(topics) or [f"cellar/{name}", f"cellar/{name}/#"]
        else:
            found[name] = sorted({*found[name], *topics})
    return found


def rules_text(who: Mapping[str, Iterable[str]]) -> str:
    """Return mosquitto's access rules. A rule before the first user would hold for everybody: there is none."""
    parts = [
        "# Written by mustwatch-broker from mustwatch's configuration: change that, then run `mustwatch-broker sync`.\n"
        "# No rule stands before the first user, so that nobody may do anything but by a rule of their own.\n",
        f"user {DAEMON_USER}\ntopic read #\n",
    ]
    for name, topics in sorted(who.items()):
        parts.append(f"user {name}\n" + "".join(f"topic write {topic}\n" for topic in topics))
    return "\n".join(parts)


def conf_text(port: int, places: Places, *, data: str | None = None) -> str:
    """Return the broker's settings.

    Args:
        port: to listen on, on every address: floats come over the air.
        places: where users and rules are.
        data: where the broker keeps sessions and messages, if its main configuration does not say so itself.
    """
    own = f"persistence true\npersistence_location {data}\nlog_dest stderr\n" if data is not None else ""
    return f"""# Written by mustwatch-broker: the broker of a mustwatch cellar. Settings of your own go in another file.
per_listener_settings false
listener {port}
allow_anonymous false
password_file {places.passwords}
acl_file {places.rules}
{own}
# What cannot be delivered while mustwatch is away waits for it: 12 sensors once a minute for a fortnight.
max_queued_messages 300000
# Nor more than this many bytes of them, or one float that floods would fill the memory.
max_queued_bytes 134217728
# A night of readings in one pack is some kilobytes; what is longer is not from a float.
message_size_limit 131072
# As many may be under way as mustwatch acknowledges in one commit, and more.
max_inflight_messages 2000
# Waiting messages and sessions are written to the card this often, seconds (and at an orderly stop).
autosave_interval 300
# A float says a few hundred bytes, a night of readings in one pack some kilobytes.
max_packet_size 262144
# Names that were never seen again are forgotten.
persistent_client_expiration 2m
"""


def hashed(password: str) -> str:
    """Return a password as mosquitto 2 keeps it: PBKDF2 with SHA-512, salted."""
    salt = secrets.token_bytes(SALT_BYTES)
    key = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ITERATIONS, HASH_BYTES)
    return f"$7${ITERATIONS}${base64.b64encode(salt).decode()}${base64.b64encode(key).decode()}"


def is_password(password: str, kept: str) -> bool:
    """Say whether a kept hash is of this password."""
    try:
        _, form, rounds, salt, key = kept.split("$")
        made = hashlib.pbkdf2_hmac(
            "sha512", password.encode(), base64.b64decode(salt), int(rounds), HASH_BYTES
        )
        return form == "7" and secrets.compare_digest(made, base64.b64decode(key))
    except ValueError:
        return False


def passwords_in(text: str) -> dict[str, str]:
    """Return users with their hashes."""
    return dict(line.split(":", 1) for line in text.splitlines() if ":" in line)


def passwords_text(passwords: Mapping[str, str]) -> str:
    """Return the same as a file's text."""
    return "".join(f"{name}:{kept}\n" for name, kept in sorted(passwords.items()))


class Access:
    """The broker's files, and what is done to them."""

    def __init__(self, arguments: argparse.Namespace) -> None:
        """Read everything."""
        from mustwatch.config.settings import load

        self.settings = load(arguments.config)
        self.places = Places(
            arguments.access, arguments.conf, arguments.guests or arguments.config.parent / "broker-guests"
        )
        self._group = arguments.group
        self._data = arguments.data
        self._reload = [] if arguments.reload == "none" else arguments.reload.split()
        self._restart = [] if arguments.restart == "none" else arguments.restart.split()
        self.guests = guests_in(_text(self.places.guests))
        self.passwords = passwords_in(_text(self.places.passwords))
        self.sensors = {
            s.id: tuple(s.topics) or (s.topic,) for s in (s.sensor() for s in self.settings.sensor)
        }

    def who(self) -> dict[str, list[str]]:
        """Return every user with the topics it may write to."""
        return writers(self.sensors, self.guests)

    def heard(self) -> list[str]:
        """Return the topics the daemon must be able to read: every sensor's, and where new floats are welcome."""
        return sorted({"cellar/#", *(topic for topics in self.sensors.values() for topic in topics)})

    def give_password(self, name: str) -> str:
        """Make a new password for a user and return it; it is kept only as a hash."""
        password = secrets.token_urlsafe(18)
        self.passwords[name] = hashed(password)
        return password

    def write(self) -> None:
        """Write every file that changed, and have the broker read it."""
        secret = self.settings.mqtt.password
        if secret is None:
            raise AccessError(
                "no mqtt.password; expected one in [mqtt] or MUSTWATCH_MQTT__PASSWORD in secrets.env"
            )
        if self.settings.mqtt.username != DAEMON_USER:
            raise AccessError(f'mqtt.username; expected "{DAEMON_USER}", the name the rules are written for')
        if not is_password(secret.get_secret_value(), self.passwords.get(DAEMON_USER, "")):
            self.passwords[DAEMON_USER] = hashed(secret.get_secret_value())
        who = self.who()
        kept = {name: self.passwords[name] for name in (DAEMON_USER, *who) if name in self.passwords}
        former = {p: _kept(p) for p in (self.places.passwords, self.places.rules, self.places.conf)}
        changed = _put(self.places.passwords, passwords_text(kept), 0o640, self._group)
        changed |= _put(self.places.rules, rules_text(who), 0o640, self._group)
        conf = conf_text(self.settings.mqtt.port, self.places, data=self._data)
        try:
            if _put(self.places.conf, conf, 0o644, None):
                _run(self._restart)
            elif changed:
                _run(self._reload)
        except subprocess.CalledProcessError:
            for path, text in former.items():
                path.unlink(missing_ok=True) if text is None else path.write_text(text, encoding="utf-8")
            subprocess.run(self._restart, check=False)
            raise AccessError(
                f"the broker does not come up with {self.places.conf}, so everything is as it was before; "
                "`journalctl -u mosquitto -n 20` says why (another program on its port, a setting given twice?)"
            ) from None
        _put(self.places.guests, guests_text(self.guests), 0o640, None)


def _kept(path: Path) -> str | None:
    return path.read_text(encoding="utf-8") if path.exists() else None


def _text(path: Path) -> str:
    return _kept(path) or ""


def _put(path: Path, text: str, mode: int, group: str | None) -> bool:
    """Write a file, whole or not at all, with its mode and group; return whether its text changed."""
    gid = -1 if group is None else int(group) if group.isdecimal() else grp.getgrnam(group).gr_gid
    changed = _text(path) != text or not path.exists()
    if changed:
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(path.name + ".part")
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        part.replace(path)
    path.chmod(mode)
    os.chown(path, -1, gid)
    return changed


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")


def _run(command: list[str]) -> None:
    if command:
        subprocess.run(command, check=True)


def _parser() -> argparse.ArgumentParser:
    text = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser("mustwatch-broker", description=__doc__, formatter_class=text)
    parser.add_argument("--config", type=Path, default=Path("/etc/mustwatch/mustwatch.toml"))
    parser.add_argument(
        "--access", type=Path, default=Path("/etc/mosquitto"), help="folder of users and rules"
    )
    parser.add_argument("--conf", type=Path, default=Path("/etc/mosquitto/conf.d/mustwatch.conf"))
    parser.add_argument(
        "--guests", type=Path, help="file of those let in by hand (default: beside the configuration)"
    )
    parser.add_argument("--group", default="mosquitto", help="who may read users and rules besides root")
    parser.add_argument("--data", help="where the broker keeps its data, if no other file of its own says so")
    parser.add_argument(
        "--reload", default="systemctl kill -s HUP mosquitto", help="how to make it read users and rules"
    )
    parser.add_argument(
        "--restart", default="systemctl restart mosquitto", help="how to make it read its settings"
    )
    parser.add_argument("--set-up", action="store_true", help="set a broker up that is not mustwatch's yet")
    does = parser.add_subparsers(dest="does", required=True)
    does.add_parser("sync")
    does.add_parser("list")
    add = does.add_parser("add")
    add.add_argument("name")
    add.add_argument("topics", nargs="*")
    for one in ("password", "remove"):
        does.add_parser(one).add_argument("name")
    return parser


def to_enter(access: Access, arguments: argparse.Namespace) -> list[str]:
    """Return what to enter in a broker of one's own, in mosquitto's words; nothing is written.

    Raises:
        AccessError: what was asked cannot be.
    """
    mqtt = access.settings.mqtt
    said = [f"The broker at {mqtt.host}:{mqtt.port} is your own, so nothing was written to it."]
    if arguments.does == "remove":
        return [*said, f"Remove there the user {arguments.name} and its rules."]
    if arguments.does == "add":
        access.guests[checked_name(arguments.name)] = tuple(checked_topic(t) for t in arguments.topics)
    who = access.who()
    if arguments.does in ("add", "password"):
        if arguments.name not in who:
            raise AccessError(f"nobody is called {arguments.name!r}; known: {', '.join(who) or 'nobody'}")
        who = {arguments.name: who[arguments.name]}
        password = access.give_password(arguments.name)
        said += [
            f"user      {arguments.name}",
            f"password  {password}",
            "Let that user in; for mosquitto, one line more in its password_file:",
            f"  {arguments.name}:{access.passwords[arguments.name]}",
        ]
    said.append("Who may say what; for mosquitto, in its acl_file:")
    if arguments.does in ("sync", "list"):
        said += [f"  user {mqtt.username or DAEMON_USER}", *(f"  topic read {t}" for t in access.heard())]
    for name, topics in sorted(who.items()):
        said += [f"  user {name}", *(f"  topic write {topic}" for topic in topics)]
    return [*said, "Then have it read them: systemctl reload mosquitto"]


def act(arguments: argparse.Namespace) -> None:
    """Do what was asked.

    Raises:
        AccessError, mustwatch.config.settings.SettingsError, OSError, subprocess.CalledProcessError: it cannot be done.
    """
    access = Access(arguments)
    does = arguments.does
    if not arguments.set_up and not access.places.conf.exists():
        for line in to_enter(access, arguments):
            _say(line)
        return
    said = []
    if does == "list":
        for name, topics in sorted(access.who().items()):
            note = "" if name in access.passwords else "   (no password yet: mustwatch-broker password NAME)"
            _say(f"{name}: {', '.join(topics)}{note}")
        return
    if does == "add":
        name = checked_name(arguments.name)
        access.guests[name] = tuple(checked_topic(topic) for topic in arguments.topics)
        said = [f"{name} may write to {', '.join(access.who()[name])}"]
        if name not in access.passwords:
            said += [
                f"user      {name}",
                f"password  {access.give_password(name)}",
                "(shown this once; kept as a hash)",
            ]
    elif does == "password":
        if arguments.name not in access.who():
            raise AccessError(
                f"nobody is called {arguments.name!r}; known: {', '.join(access.who()) or 'nobody'}"
            )
        password = access.give_password(arguments.name)
        said = [f"user      {arguments.name}", f"password  {password}", "(shown this once; kept as a hash)"]
    elif does == "remove":
        if access.guests.pop(arguments.name, None) is None and arguments.name not in access.passwords:
            raise AccessError(f"nobody is called {arguments.name!r}")
        access.passwords.pop(arguments.name, None)
    access.write()
    for line in said:
        _say(line)
    without = [name for name in access.who() if name not in access.passwords]
    if without:
        _say(f"without a password, so shut out: {', '.join(without)} (mustwatch-broker password NAME)")


def main() -> None:
    """Do what was asked; exit 0: done, 1: it could not be done."""
    from mustwatch.config.settings import SettingsError

    try:
        act(_parser().parse_args())
    except (AccessError, SettingsError, LookupError) as error:
        sys.exit(f"mustwatch-broker: {error}")
    except PermissionError as error:
        sys.exit(f"mustwatch-broker: {error.filename}: {error.strerror}; run it with sudo")
    except (OSError, subprocess.CalledProcessError) as error:
        sys.exit(f"mustwatch-broker: {error}")


if __name__ == "__main__":
    main()
