"""Draws three ferments of the scoring run: a healthy, a stuck and a noisy one. Estimate and 90 % band over the truth.

.venv/bin/python tests/bench/watch_pictures.py      writes tests/bench/pictures/*.svg
"""

import sys
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))


from watch_case import Case
from watch_judging import DAY_MS
from watch_run import cases, found, watched

from mustwatch.watch.finding import Change
from mustwatch.watch.lot_watch import WatchStep
from mustwatch.watch.observation import Observation

OUT = Path(__file__).parent / "pictures"
PICTURES = (
    ("healthy", "healthy-white", 2, "A healthy white"),
    ("stuck", "stuck-forced", 2, "A ferment that sticks"),
    ("noisy", "foam-sticks", 3, "Foam, bubbles and a float that hangs in it"),
)

WIDTH, HEIGHT, LEFT, TOP, RIGHT, BOTTOM = 860, 420, 58, 34, 16, 36
MOST_POINTS = 360
Scale = Callable[[float], float]


def thinned(items: Sequence[WatchStep]) -> list[WatchStep]:
    """Return at most ``MOST_POINTS`` of the items, evenly."""
    every = max(1, len(items) // MOST_POINTS)
    return list(items[::every])


def path(points: Sequence[tuple[float, float]]) -> str:
    """Return the points as an SVG path."""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def axes(days: float, low: float, high: float, x: Scale, y: Scale) -> list[str]:
    """Return grid, ticks and their labels."""
    drawn = []
    for day in range(0, int(days) + 1, 2):
        drawn.append(f'<path class="grid" d="M{x(day):.1f} {TOP}V{HEIGHT - BOTTOM}"/>')
        drawn.append(f'<text x="{x(day):.1f}" y="{HEIGHT - BOTTOM + 16}" text-anchor="middle">{day}</text>')
    for gravity in range(round(low * 1000), round(high * 1000) + 1, 10):
        drawn.append(f'<path class="grid" d="M{LEFT} {y(gravity / 1000):.1f}H{WIDTH - RIGHT}"/>')
        at = y(gravity / 1000) + 4
        drawn.append(f'<text x="{LEFT - 8}" y="{at:.1f}" text-anchor="end">{gravity / 1000:.3f}</text>')
    drawn.append(f'<text x="{WIDTH - RIGHT}" y="{HEIGHT - 4}" text-anchor="end">days since the pitch</text>')
    return drawn


def picture(case: Case, steps: Sequence[WatchStep], title: str) -> str:
    """Return one ferment as SVG."""
    known = [s for s in steps if s.estimate.gravity is not None and s.estimate.gravity_sd is not None]
    days = (case.ends_ms - case.started_ms) / DAY_MS
    low = round(float(case.truth.gravity.min()) - 0.008, 2)
    high = round(float(case.truth.gravity.max()) + 0.008, 2)

    def x(day: float) -> float:
        return LEFT + day / days * (WIDTH - LEFT - RIGHT)

    def y(gravity: float) -> float:
        return TOP + (high - gravity) / (high - low) * (HEIGHT - TOP - BOTTOM)

    def day_of(at_ms: int) -> float:
        return (at_ms - case.started_ms) / DAY_MS

    drawn = axes(days, low, high, x, y)
    said = [e for e in case.events if isinstance(e, Observation) and e.gravity is not None]
    for e in said[:: max(1, len(said) // 700)]:
        if low < (e.gravity or 0.0) < high:
            drawn.append(f'<circle cx="{x(day_of(e.at_ms)):.1f}" cy="{y(e.gravity or 0.0):.1f}" r="1.1"/>')
    few = [(x(day_of(s.estimate.at_ms)), s.estimate) for s in thinned(known)]
    upper = [(at, y((e.gravity or 0) + 1.645 * (e.gravity_sd or 0))) for at, e in few]
    lower = [(at, y((e.gravity or 0) - 1.645 * (e.gravity_sd or 0))) for at, e in few]
    drawn.append(f'<path class="band" d="{path(upper + lower[::-1])}Z"/>')
    every = max(1, len(case.truth.t_ms) // MOST_POINTS)
    truth = zip(case.truth.t_ms[::every].tolist(), case.truth.gravity[::every].tolist(), strict=True)
    drawn.append(f'<path class="truth" d="{path([(x(day_of(t)), y(g)) for t, g in truth])}"/>')
    drawn.append(f'<path class="estimate" d="{path([(at, y(e.gravity or 0)) for at, e in few])}"/>')
    level = TOP + 14
    for t in found(case, steps):
        if t.change is Change.RAISED:
            at = x(day_of(t.at_ms))
            drawn.append(f'<path class="finding" d="M{at:.1f} {TOP}V{HEIGHT - BOTTOM}"/>')
            side = "end" if at > WIDTH - 120 else "start"
            drawn.append(
                f'<text class="finding" x="{at + (4 if side == "start" else -4):.1f}" y="{level}" '
                f'text-anchor="{side}">{t.kind} {day_of(t.at_ms):.1f} d</text>'
            )
            level = TOP + 14 + (level - TOP) % 56
    legend = "Grey dots: readings; dashed: truth; line and band: estimate, 90 %."
    caption = f"{title}: float noise {case.noise:.4f}. {legend}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img">'
        f"<title>{escape(caption)}</title><style>svg{{background:#fff;font:12px sans-serif}}"
        ".grid{stroke:#e6e6e6}circle{fill:#b9b9b9}.band{fill:#8a1c3c;opacity:.22}"
        ".estimate{fill:none;stroke:#8a1c3c;stroke-width:1.6}"
        ".truth{fill:none;stroke:#111;stroke-dasharray:4 3}path.finding{stroke:#2d6a4f;stroke-dasharray:2 2}"
        "text.finding{fill:#2d6a4f}</style>"
        f'<text x="{LEFT}" y="18">{escape(caption)}</text>{"".join(drawn)}</svg>\n'
    )


def main() -> None:
    """Draw them all."""
    OUT.mkdir(exist_ok=True)
    for name, scenario, seed, title in PICTURES:
        case = cases(scenario, seed)[0]
        steps, _ = watched(case)
        target = OUT / f"{name}.svg"
        target.write_text(picture(case, steps, title))
        print(f"{target.name}: {scenario}, seed {seed}, {target.stat().st_size} bytes")


if __name__ == "__main__":
    main()
