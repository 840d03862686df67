"""How forecasts came out: where each step fell within the interval that was said of it.

Conventions: forecasts stand side by side in their order, the latest to the right. Upright is where the step fell: on
the middle line as the median said, at the edges of the pale band as the ends of its 95 % interval did, above for a
larger rise or a smaller fall. A dot outside has a bar to the band; what lies farther off than two and a half times
half the band is drawn at that height. With fewer than ten forecasts there is no chart.
"""

from __future__ import annotations

from collections.abc import Sequence

from tapbatch.model.forecast import ForecastCame, kept_of
from tapbatch.show.draw.chart import SMALL, Chart, Look, Panel
from tapbatch.show.say.forecasts import chances_text, kept_text

HEIGHT_MM = 18.0
WORDS_MM = 22.0
FARTHEST = 2.5


def forecasts_chart(forecasts: Sequence[ForecastCame], look: Look) -> Chart | None:
    """Draw where steps fell in their intervals; ``None`` with fewer than ten."""
    kept = kept_of(forecasts)
    if not kept.enough:
        return None
    chart = Chart(look)
    left = WORDS_MM * look.spacing
    panel = Panel(
        left, 1.0, look.width_mm - left, HEIGHT_MM, x_low=-0.5, x_high=len(forecasts) - 0.5, y_low=-FARTHEST,
        y_high=FARTHEST,
    )  # fmt: skip
    upper, lower = (float(y) for y in panel.y_mm([1.0, -1.0]))
    chart.box(panel.left_mm, upper, panel.right_mm, lower, "field")
    middle = float(panel.y_mm(0.0))
    chart.rule(panel.left_mm, middle, panel.right_mm, middle)
    for y, text in ((upper - 2.5, "above"), (middle, "as said"), (lower + 2.5, "below")):
        chart.say(0.0, y, text, SMALL, va="center", role="soft text", within_mm=left - 1.0)
    places = [(float(panel.x_mm(n)), float(panel.y_mm(_where(f)))) for n, f in enumerate(forecasts)]
    outside = [place for place, f in zip(places, forecasts, strict=True) if not f.came_within]
    chart.lines([[(x, y), (x, upper if y < middle else lower)] for x, y in outside], "cautious link", "outside")
    radius = min(0.95, 0.4 * panel.width_mm / len(forecasts))
    chart.dots(places, "reading", radius, "steps")
    chart.height_mm = panel.bottom_mm + 1.0
    chart.description = f"{kept_text(kept)}; {chances_text(kept)}"
    return chart


def _where(forecast: ForecastCame) -> float:
    """Return where a step fell: 0 at the median, 1 and -1 at the ends of the interval."""
    off = forecast.came_cents - forecast.step_cents
    end = forecast.step_high_cents if off > 0 else forecast.step_low_cents
    half = abs(end - forecast.step_cents)
    return off / half if half > 0 else 0.0
