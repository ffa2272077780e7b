"""What monitors ask: is the daemon well, and its counters as Prometheus text.

Source: Prometheus text exposition format 0.0.4.
"""

import re

from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, PlainTextResponse

from mustwatch.web.cellarhand import Cellarhand

METRICS_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_NAME = re.compile(r"[a-z_][a-z0-9_]*")


def metrics_text(values: dict[str, float]) -> str:
    """Return counters and gauges as Prometheus text; what ends in ``_total`` is a counter.

    Raises:
        ValueError: a name is none of Prometheus's.
    """
    lines = []
    for name, value in values.items():
        if not _NAME.fullmatch(name):
            raise ValueError(f"metric name {name!r}: expected lower-case letters, digits and underscores")
        full = f"mustwatch_{name}"
        lines.append(f"# TYPE {full} {'counter' if name.endswith('_total') else 'gauge'}")
        lines.append(f"{full} {value:.15g}")
    return "\n".join(lines) + "\n"


def machine_routes(hand: Cellarhand) -> APIRouter:
    """Return the routes for monitors."""
    router = APIRouter(include_in_schema=False)

    @router.get("/health")
    def health(request: Request) -> JSONResponse:
        is_well, looked_at = hand.health()
        body: dict[str, object] = {"ok": is_well}
        if request.state.is_admitted:
            body |= looked_at
        return JSONResponse(body, 200 if is_well else 503)

    @router.get("/metrics")
    def metrics() -> PlainTextResponse:
        return PlainTextResponse(metrics_text(dict(hand.metrics())), media_type=METRICS_TYPE)

    return router
