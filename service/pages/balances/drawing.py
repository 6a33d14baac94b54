"""Drawings of a balance, made here and sent as SVG: unexplained mass with its doubt and tolerance; yields by time.

A drawing repeats figures that stand in tables; each mark says its figures in words, for pointers and readers. Colours
are tokens of the style sheet.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from html import escape

from markupsafe import Markup

from service.balances.schemas_period import JudgedOut, PartOut
from service.core.control_chart import individuals
from service.core.quantities import grouped

WIDTH, HEIGHT = 760, 280
LEFT, RIGHT, TOP, BOTTOM = 92, 12, 16, 44
TICKS = 4
LABELS_MAX = 12


@dataclass(frozen=True)
class _Scale:
    """From values to places in the drawing."""

    low: float
    high: float
    count: int

    def x(self, place: float) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * (place + 0.5) / max(self.count, 1), 1)

    def y(self, value: float) -> float:
        span = self.high - self.low or 1.0
        return round(TOP + (HEIGHT - TOP - BOTTOM) * (self.high - value) / span, 1)


def judged_in(part: PartOut, step: str) -> JudgedOut | None:
    """What a part says of a step, or of the site for ''."""
    return part.steps.get(step) if step else part.site


def unexplained_drawing(parts: Sequence[PartOut], step: str, words: str) -> Markup:
    """Unexplained mass of each part, its U95 as a bar through it, and the band of the tolerance."""
    marks = [(part, judged) for part in parts if (judged := judged_in(part, step)) is not None]
    if not marks:
        return Markup("")
    values = [_kg(judged.unexplained_dry_kg) for _, judged in marks]
    doubts = [_kg(judged.u95_dry_kg or "0") for _, judged in marks]
    bands = [_kg(judged.of_dry_kg) * float(judged.tolerance_fraction) for _, judged in marks]
    reach = max([abs(value) + doubt for value, doubt in zip(values, doubts, strict=True)] + bands + [1.0])
    scale = _Scale(-reach * 1.05, reach * 1.05, len(marks))
    drawn = [_axes(scale, [part.label for part, _ in marks], "kg dry")]
    half = (scale.x(1) - scale.x(0)) / 2
    for place, band in enumerate(bands):
        top, height = scale.y(band), round(scale.y(-band) - scale.y(band), 1)
        drawn.append(
            f'<rect class="band" x="{scale.x(place) - half:.1f}" y="{top}" width="{2 * half:.1f}" height="{height}"/>'
        )
    drawn.append(f'<path class="zero" d="M{LEFT} {scale.y(0)}H{WIDTH - RIGHT}"/>')
    for place, ((part, judged), value, doubt) in enumerate(zip(marks, values, doubts, strict=True)):
        x, wide = scale.x(place), min(half * 0.5, 8)
        is_out = judged.verdict.value.endswith("tolerance")
        title = f"{part.label}: {shown_kg(judged.unexplained_dry_kg)} kg unexplained"
        title += f", U95 {shown_kg(judged.u95_dry_kg)} kg" if judged.u95_dry_kg else ", U95 not worked out"
        title += f", {judged.verdict.value.replace('_', ' ')}"
        drawn.append(f'<g class="{"mark out" if is_out else "mark"}"><title>{escape(title)}</title>')
        if doubt:
            drawn.append(_bar(x, wide, scale.y(value + doubt), scale.y(value - doubt)))
        # What is beyond its tolerance has another shape, so that it is told apart without colour.
        y = scale.y(value)
        if is_out:
            drawn.append(f'<path d="M{x} {y - 7:.1f}L{x + 7:.1f} {y}L{x} {y + 7:.1f}L{x - 7:.1f} {y}Z"/>')
        else:
            drawn.append(f'<circle cx="{x}" cy="{y}" r="4.5"/>')
        drawn.append("</g>")
    label = f"Unexplained dry mass of {words} by {len(marks)} parts, with U95 and the band of the tolerance"
    return _svg("unexplained", label, drawn)


def yield_drawing(parts: Sequence[PartOut], step: str, words: str) -> Markup:
    """Product in % of dry input of each part, with the limits of usual scatter where there are enough."""
    marks = [(part.label, float(part.yields[step] or "nan")) for part in parts if part.yields.get(step)]
    if len(marks) < 2:  # one value shows no scatter
        return Markup("")
    values = [value for _, value in marks]
    limits = individuals(values)
    edges = [*values, *(limits or ())]
    margin = max((max(edges) - min(edges)) * 0.08, 0.5)
    scale = _Scale(min(edges) - margin, max(edges) + margin, len(marks))
    drawn = [_axes(scale, [label for label, _ in marks], "%")]
    for name, limit in zip(("mean", "limit", "limit"), limits or (), strict=False):
        drawn.append(f'<path class="{name}" d="M{LEFT} {scale.y(limit)}H{WIDTH - RIGHT}"/>')
    path = "L".join(f"{scale.x(place)} {scale.y(value)}" for place, value in enumerate(values))
    drawn.append(f'<path class="through" d="M{path}"/>')
    for place, (label, value) in enumerate(marks):
        is_out = limits is not None and not limits.low <= value <= limits.high
        drawn.append(
            f'<g class="{"mark out" if is_out else "mark"}"><title>{escape(f"{label}: {value:.2f} %")}</title>'
        )
        drawn.append(f'<circle cx="{scale.x(place)}" cy="{scale.y(value)}" r="{7 if is_out else 4.5}"/></g>')
    limit_words = (
        "" if limits is None else f", mean {limits.mean:.2f} %, limits {limits.low:.2f} to {limits.high:.2f} %"
    )
    return _svg("yields", f"Yield of {words} by {len(marks)} parts{limit_words}", drawn)


def _bar(x: float, wide: float, high: float, low: float) -> str:
    """A bar through a mark, with an end at each side."""
    ends = "".join(f"M{x - wide:.1f} {y}h{2 * wide:.1f}" for y in (high, low))
    return f'<path class="doubt" d="M{x} {high}V{low}{ends}"/>'


def shown_kg(exact: str) -> str:
    """A dry mass to read, to 0.1 kg; the file has all of it."""
    return grouped(f"{Decimal(exact):.1f}")


def _kg(text: str) -> float:
    return float(Decimal(text))


def _axes(scale: _Scale, labels: Sequence[str], unit: str) -> str:
    drawn = []
    for tick in range(TICKS + 1):
        value = scale.low + (scale.high - scale.low) * tick / TICKS
        y = scale.y(value)
        text = grouped(f"{value:.0f}") if scale.high - scale.low > 20 else f"{value:.1f}"
        drawn.append(f'<path class="grid" d="M{LEFT} {y}H{WIDTH - RIGHT}"/>')
        drawn.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{escape(text)}</text>')
    every = -(-len(labels) // LABELS_MAX)
    for place, label in enumerate(labels):
        if place % every == 0:
            short = label[5:] if label[:4].isdecimal() and len(label) > 4 else label
            drawn.append(f'<text x="{scale.x(place)}" y="{HEIGHT - 22}" text-anchor="middle">{escape(short)}</text>')
    drawn.append(f'<text x="{LEFT}" y="{HEIGHT - 5}">{escape(unit)}</text>')
    return "".join(drawn)


def _svg(name: str, label: str, drawn: Sequence[str]) -> Markup:
    head = f'<svg class="plot {name}" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(label)}">'
    return Markup(head + "".join(drawn) + "</svg>")
