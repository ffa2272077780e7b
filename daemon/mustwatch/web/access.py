"""Who may look: the token, sessions, the limit on attempts, and where a form must have come from.

On a loopback address without a token everybody on this machine may look, but a page elsewhere that points its name at
this machine may not: the Host must be one of ours. With a token, everything but the sign-in page asks for it.
"""

import hashlib
import hmac
import secrets
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import Enum, auto
from urllib.parse import urlsplit

COOKIE = "mustwatch"
SESSION_LIFE_S = 90 * 86_400
"""A phone in the shed stays signed in for a season."""
ATTEMPTS = 5
ATTEMPTS_WINDOW_S = 300.0
"""Wrong tokens that one address may send within this time; then it has to wait."""
ATTEMPTS_OF_ALL = 60
"""Wrong tokens from all addresses together within the window: a crowd guessing slowly waits too."""
CLIENTS_REMEMBERED = 1_000
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})


@dataclass(frozen=True, slots=True)
class AccessRules:
    """What the configuration says: a token (None: loopback only, nobody is asked) and the base address, if any."""

    token: str | None = None
    base_url: str | None = None


class Tried(Enum):
    """What came of showing a token."""

    ADMITTED = auto()
    WRONG = auto()
    WAIT = auto()


class Gate:
    """Decides who may look. Its methods are called from the event loop's thread alone."""

    def __init__(
        self,
        rules: AccessRules,
        *,
        mono_s: Callable[[], float],
        now_s: Callable[[], float],
        secret: bytes | None = None,
        left: Iterable[str] = (),
    ) -> None:
        """Set up.

        Args:
            rules: as configured.
            mono_s: the monotonic clock, seconds, for the limit on attempts.
            now_s: the wall clock, seconds since the epoch, for the age of sessions.
            secret: what sessions and forms are signed with; made from the token, so that a restart signs nobody
                out and a new token signs everybody out; without a token it is chance.
            left: sessions that somebody has left, as ``leave`` returned them.
        """
        self._rules = rules
        self._mono_s = mono_s
        self._now_s = now_s
        made = (
            hashlib.sha256(b"mustwatch sessions\x00" + rules.token.encode()).digest() if rules.token else None
        )
        self._secret = secret or made or secrets.token_bytes(32)
        self._left = set(left)
        self._failures: OrderedDict[str, deque[float]] = OrderedDict()
        self._all_failures: deque[float] = deque()

    @property
    def asks(self) -> bool:
        """Say whether a token is asked for at all."""
        return self._rules.token is not None

    # --- hosts and origins ---------------------------------------------------------------------------------

    def is_known_host(self, host: str | None) -> bool:
        """Say whether a Host header may name us; with a token any may, since a stranger's page has no session."""
        if self.asks:
            return True
        name = _host_name(host)
        return name is not None and (name in LOOPBACK_NAMES or name == _host_name(self._base_host()))

    def is_own_origin(self, origin: str | None, host: str | None) -> bool:
        """Say whether a page that sends something is one of ours; without an Origin header it isn't a browser's."""
        if origin is None:
            return True
        there = urlsplit(origin).netloc.lower()
        return bool(there) and there in {(host or "").lower(), (self._base_host() or "").lower()}

    def _base_host(self) -> str | None:
        return urlsplit(self._rules.base_url).netloc if self._rules.base_url else None

    # --- the token -----------------------------------------------------------------------------------------

    def try_token(self, given: str, client: str) -> Tried:
        """Compare a token in constant time; wrong ones are counted, and too many have to wait."""
        if self._rules.token is None:
            return Tried.ADMITTED
        if self._wait_of(client) > 0:
            return Tried.WAIT
        # The crowd's limit must not shut the right one out: others would only have to be wrong often enough.
        if hmac.compare_digest(given.encode(), self._rules.token.encode()):
            self._failures.pop(client, None)
            return Tried.ADMITTED
        if self.wait_s(client) > 0:
            return Tried.WAIT
        now = self._mono_s()
        self._failures.setdefault(client, deque(maxlen=ATTEMPTS)).append(now)
        self._failures.move_to_end(client)
        while len(self._failures) > CLIENTS_REMEMBERED:
            self._failures.popitem(last=False)
        self._all_failures.append(now)
        return Tried.WRONG

    def wait_s(self, client: str) -> float:
        """Return for how many seconds an address has to wait before its next attempt; 0: not at all."""
        since = self._mono_s() - ATTEMPTS_WINDOW_S
        while self._all_failures and self._all_failures[0] <= since:
            self._all_failures.popleft()
        waits = [self._wait_of(client)]
        if len(self._all_failures) >= ATTEMPTS_OF_ALL:
            waits.append(self._all_failures[-ATTEMPTS_OF_ALL] - since)
        return max(waits)

    def _wait_of(self, client: str) -> float:
        """Return for how many seconds an address has to wait for its own wrong tokens."""
        of_client = self._failures.get(client)
        if of_client is None or len(of_client) < ATTEMPTS:
            return 0.0
        return max(0.0, of_client[0] + ATTEMPTS_WINDOW_S - self._mono_s())

    # --- sessions and forms --------------------------------------------------------------------------------

    def new_session(self) -> str:
        """Return a cookie's value: when it was issued, chance, and their signature."""
        said = f"{int(self._now_s())}.{secrets.token_urlsafe(12)}"
        return f"{said}.{self._sign('session', said)}"

    def is_session(self, cookie: str | None) -> bool:
        """Say whether a cookie's value is one of ours and not too old."""
        said, _, signature = (cookie or "").rpartition(".")
        issued = said.partition(".")[0]
        if not (issued.isascii() and issued.isdigit() and len(issued) < 15):
            return False
        if not hmac.compare_digest(signature.encode(), self._sign("session", said).encode()):
            return False
        return said not in self._left and self._now_s() - int(issued) < SESSION_LIFE_S

    def leave(self, session: str) -> list[str]:
        """End a session, whoever holds its cookie, and return all that were left and are not too old by themselves."""
        self._left.add(session.rpartition(".")[0])
        since_s = self._now_s() - SESSION_LIFE_S
        self._left = {said for said in self._left if int(said.partition(".")[0]) >= since_s}
        return sorted(self._left)

    def form_token(self, session: str) -> str:
        """Return what a form of this session carries."""
        return self._sign("form", session)

    def is_form_token(self, given: str, session: str | None) -> bool:
        """Say whether a form was made by a page of this session."""
        return session is not None and hmac.compare_digest(given.encode(), self.form_token(session).encode())

    def _sign(self, purpose: str, what: str) -> str:
        return hmac.new(self._secret, f"{purpose}\x00{what}".encode(), hashlib.sha256).hexdigest()[:43]

    # --- a request -----------------------------------------------------------------------------------------

    def admits(self, authorization: str | None, cookies: Mapping[str, str], client: str) -> Tried:
        """Say whether a request may look, by its session or its ``Authorization: Bearer`` token."""
        if not self.asks or self.is_session(cookies.get(COOKIE)):
            return Tried.ADMITTED
        scheme, _, given = (authorization or "").partition(" ")
        if scheme.lower() != "bearer":
            return Tried.WRONG
        return self.try_token(given.strip(), client)


def _host_name(host: str | None) -> str | None:
    """Return the name of a Host header, without port or brackets, or None if it is none."""
    if not host:
        return None
    try:
        return urlsplit(f"//{host}").hostname
    except ValueError:
        return None
