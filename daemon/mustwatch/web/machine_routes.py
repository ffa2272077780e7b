"""What monitors ask: is the daemon well, and its counters as Prometheus text.

Source: Prometheus text exposition format 0.0.4.
"""

import re
from collections.abc import Mapping

from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, PlainTextResponse

from mustwatch.web.cellarhand import Cellarhand

METRICS_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_NAME = re.compile(r"[a-z_][a-z0-9_]*")


def metrics_text(values: Mapping[str, float]) -> str:
    """Return counters and gauges as Prometheus text; what ends in ``_total`` is a counter.

    A name may carry labels, as ``sensor_heard_seconds_ago{sensor="float-1"}``, their values already escaped.

    Raises:
        ValueError: a name is none of Prometheus's.
    """
    lines: list[str] = []
    typed: set[str] = set()
    for name, value in values.items():
        base = name.partition("{")[0]
        if not _NAME.fullmatch(base):
            raise ValueError(f"metric name {name!r}: expected lower-case letters, digits and underscores")
        if base not in typed:
            typed.add(base)
            kind = "counter" if base.endswith("_total") else "gauge"
            lines.append(f"# TYPE mustwatch_{base} {kind}")
        lines.append(f"mustwatch_{name} {value:.15g}")
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
        return PlainTextResponse(metrics_text(hand.metrics()), media_type=METRICS_TYPE)

    return router
