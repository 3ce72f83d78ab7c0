"""A chart of growth on two logarithmic axes, as SVG: told apart by dashes and markers, not by colour."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape

WIDTH, HEIGHT = 860, 520
LEFT, RIGHT, TOP, BOTTOM = 80, 270, 56, 64
DASHES = ("none", "7 4", "2 3", "10 3 2 3", "14 5")
SHADES = ("#111111", "#1f4e79", "#8a3b12", "#2e6b34", "#6a4c93")


@dataclass(frozen=True)
class Curve:
    label: str
    points: tuple[tuple[float, float], ...]


def marker(kind: int, x: float, y: float, shade: str) -> str:
    style = f'fill="#ffffff" stroke="{shade}" stroke-width="1.6"'
    match kind % 5:
        case 0:
            return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{shade}"/>'
        case 1:
            return f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" {style}/>'
        case 2:
            return f'<path d="M{x:.1f} {y - 5:.1f} l5 9 h-10 z" {style}/>'
        case 3:
            return f'<path d="M{x:.1f} {y - 5.5:.1f} l5.5 5.5 l-5.5 5.5 l-5.5 -5.5 z" {style}/>'
        case _:
            cross = f"M{x - 4:.1f} {y - 4:.1f} l8 8 m0 -8 l-8 8"
            return f'<path d="{cross}" fill="none" stroke="{shade}" stroke-width="2"/>'


def decades(low: float, high: float) -> list[int]:
    return list(range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1))


def power(exponent: int) -> str:
    return f"{10**exponent:,}" if exponent >= 0 else f"{10.0**exponent:.{-exponent}f}"


def growth_svg(curves: list[Curve], title: str, across: str, up: str) -> str:
    """The chart; every curve needs points with both numbers above 0."""
    xs = [x for c in curves for x, _ in c.points]
    ys = [y for c in curves for _, y in c.points]
    x_low, x_high = min(xs) / 1.15, max(xs) * 1.15
    y_decades = decades(min(ys), max(ys))
    y_low, y_high = 10.0 ** y_decades[0], 10.0 ** y_decades[-1]
    plot_width, plot_height = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

    def place(x: float, y: float) -> tuple[float, float]:
        return (
            LEFT + plot_width * math.log(x / x_low) / math.log(x_high / x_low),
            TOP + plot_height * (1 - math.log(y / y_low) / math.log(y_high / y_low)),
        )

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}"'
        ' font-family="sans-serif" font-size="13" fill="#111111" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
        f'<text x="{LEFT}" y="28" font-size="17" font-weight="bold">{escape(title)}</text>',
    ]
    for exponent in y_decades:
        _, y = place(x_low, 10.0**exponent)
        out.append(f'<path d="M{LEFT} {y:.1f} h{plot_width}" stroke="#d0d0d0"/>')
        out.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{power(exponent)}</text>')
    ticks = [t for e in range(4) for t in (10**e, 2 * 10**e, 5 * 10**e) if x_low <= t <= x_high]
    for tick in ticks:
        x, _ = place(tick, y_low)
        out.append(f'<path d="M{x:.1f} {TOP} v{plot_height}" stroke="#e4e4e4"/>')
        out.append(f'<text x="{x:.1f}" y="{TOP + plot_height + 20}" text-anchor="middle">{tick:,}</text>')
    out.append(f'<path d="M{LEFT} {TOP} v{plot_height} h{plot_width}" fill="none" stroke="#111111"/>')
    middle = LEFT + plot_width / 2
    out.append(f'<text x="{middle}" y="{HEIGHT - 16}" text-anchor="middle">{escape(across)}</text>')
    centre = TOP + plot_height / 2
    out.append(
        f'<text x="18" y="{centre}" text-anchor="middle" transform="rotate(-90 18 {centre})">{escape(up)}</text>'
    )
    for number, curve in enumerate(curves):
        shade, dash = SHADES[number % len(SHADES)], DASHES[number % len(DASHES)]
        places = [place(*point) for point in curve.points]
        line = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
        stroke = f'stroke="{shade}" stroke-width="1.8" stroke-dasharray="{dash}"'
        out.append(f'<polyline points="{line}" fill="none" {stroke}/>')
        out += [marker(number, x, y, shade) for x, y in places]
        x, y = WIDTH - RIGHT + 16, TOP + 12 + number * 44
        out.append(f'<path d="M{x} {y} h34" fill="none" {stroke}/>')
        out.append(marker(number, x + 17, y, shade))
        for row, words in enumerate(wrapped(curve.label)):
            out.append(f'<text x="{x + 44}" y="{y + 4 + 15 * row}">{escape(words)}</text>')
    out.append("</svg>")
    return "\n".join(out) + "\n"


def wrapped(text: str, most: int = 30) -> list[str]:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
