"""Somebody at the pages of a running daemon: finds a form, fills it in and sends it, all its hidden fields with it."""

from html.parser import HTMLParser
from typing import Any
from urllib.parse import quote

import httpx

from daemons import Daemon, wait_until


class _Forms(HTMLParser):
    """The forms of a page: the hidden fields of each, by its action."""

    def __init__(self) -> None:
        super().__init__()
        self.hidden: dict[str, dict[str, str]] = {}
        self._action: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag == "form":
            self._action = named.get("action") or ""
            self.hidden[self._action] = {}
        elif tag == "input" and self._action is not None and named.get("type") == "hidden":
            self.hidden[self._action][named.get("name") or ""] = named.get("value") or ""

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._action = None


class AtThePage:
    """A browser's worth of a client, without its scripts."""

    def __init__(self, base: str) -> None:
        """Open the pages at an address."""
        self.client = httpx.Client(base_url=base, timeout=60.0)

    @classmethod
    def of(cls, daemon: Daemon, port: int) -> "AtThePage":
        """Wait until a daemon that was started serves its pages, and open them."""
        base = f"http://127.0.0.1:{port}"
        wait_until(lambda: f"pages at {base}" in daemon.said(), 30, "the pages are served")
        return cls(base)

    def form(self, page: str, action: str) -> dict[str, str]:
        """Return the hidden fields of a page's form."""
        forms = _Forms()
        forms.feed(self.client.get(page).text)
        return forms.hidden[action]

    def send(self, page: str, action: str, **typed: Any) -> httpx.Response:
        """Load a page, fill in one of its forms and send it; the answer is not followed."""
        return self.client.post(action, data=self.form(page, action) | typed)

    def begin(self, lot: str, vessel: str, **typed: Any) -> httpx.Response:
        """Begin a lot."""
        return self.send(f"/begin?vessel={quote(vessel)}", "/begin", lot=lot, vessel=vessel, **typed)

    def write(self, lot: str, kind: str, **typed: Any) -> httpx.Response:
        """Write in a lot's book by a form of its page."""
        page = f"/lot/{quote(lot)}"
        return self.send(f"{page}/write/{kind}", f"{page}/record/{kind}", **typed)

    def row(self, vessel: str) -> dict[str, Any]:
        """Return a vessel's row of the cellar, as the API says it."""
        rows = self.client.get("/api/cellar").json()["vessels"]
        return next(row for row in rows if row["vessel"] == vessel)

    def alerts(self) -> list[str]:
        """Return the kinds of the alerts that hold."""
        return [alert["kind"] for alert in self.client.get("/api/alerts").json()]

    def close(self) -> None:
        """Leave."""
        self.client.close()
