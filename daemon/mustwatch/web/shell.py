"""The sheet every page is printed on: templates, words, addresses of files, and what a form must carry."""

import secrets
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

from mustwatch.cellar.instant import iso
from mustwatch.web import curves, words
from mustwatch.web.access import Gate
from mustwatch.web.cellarhand import Cellarhand
from mustwatch.web.forms import form_for
from mustwatch.web.measured_chart import measured_figure
from mustwatch.web.statics import Statics
from mustwatch.web.words import Words

REMARKS_KEPT = 64
"""What was said of the last entries is remembered, for the page that is shown right after a form was sent."""
TEMPLATES = Path(__file__).with_name("templates")


def entry_key() -> str:
    """Return the id a form carries for its one entry: sent twice, by reload or a second tap, it is written once."""
    return secrets.token_hex(6)


class Shell:
    """Renders pages."""

    def __init__(self, hand: Cellarhand, gate: Gate, statics: Statics) -> None:
        """Set up for one cellar."""
        self.hand = hand
        self.gate = gate
        self.statics = statics
        self.words = Words.of(hand.manners.measures)
        self._remarks: dict[str, tuple[str, ...]] = {}
        self._templates = Environment(
            loader=FileSystemLoader(TEMPLATES),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._templates.globals.update(
            words=self.words,
            manners=hand.manners,
            static=statics.url,
            mark=words.mark,
            part=words.path_part,
            entry_key=entry_key,
            form_for=form_for,
            days_figure=curves.days_figure,
            night_figure=curves.night_figure,
            nights_figure=curves.nights_figure,
            alert_figure=curves.alert_figure,
            calibration_figure=curves.calibration_figure,
            measured_figure=measured_figure,
        )

    def page(self, request: Request, template: str, status: int = 200, **context: Any) -> HTMLResponse:
        """Return a page.

        Args:
            request: whose session the page's forms belong to.
            template: the file's name.
            status: of the answer.
            context: what the template shows. ``pulse`` (how it stands to the present) is asked for if it is not given.
        """
        session = getattr(request.state, "session", None)
        admitted = getattr(request.state, "is_admitted", False)
        if "pulse" not in context:
            context["pulse"] = self.hand.pulse() if admitted else None
        text = self._templates.get_template(template).render(
            context,
            path=request.url.path,
            now=iso(self.hand.now_ms()),
            form_token=self.gate.form_token(session) if session is not None else "",
            asks=self.gate.asks,
            version=self.hand.version(),
            is_live=admitted and status == 200 and request.method == "GET",
        )
        return HTMLResponse(text, status)

    def remember(self, entry_id: str, remarks: tuple[str, ...]) -> None:
        """Keep what was said of an entry for the page that its form leads to."""
        self._remarks[entry_id] = remarks
        while len(self._remarks) > REMARKS_KEPT:
            self._remarks.pop(next(iter(self._remarks)), None)

    def remarks(self, entry_id: str | None) -> tuple[str, ...]:
        """Return what was said of an entry when it was written, a sentence each; nothing after a restart."""
        return self._remarks.get(entry_id or "", ())
