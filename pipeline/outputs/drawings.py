"""Small drawings for printed pages, as SVG inside the page: no script, no file, readable in black and white."""

from collections.abc import Sequence
from html import escape

BAR, GAP, LEFT, TALL, FOOT = 22, 8, 34, 120, 34  # widths and heights of a drawing [px]


def bars(labels: Sequence[str], counts: Sequence[float], title: str, unit: str) -> str:
    """A bar chart of counts by label, as SVG text. Each bar carries its number; the title is its text equivalent."""
    most = max([*counts, 1])
    width = LEFT + len(labels) * (BAR + GAP) + GAP
    parts = [
        f'<svg viewBox="0 0 {width} {TALL + FOOT}" width="{width}" height="{TALL + FOOT}" role="img" '
        f'style="max-width:100%;height:auto" aria-label="{escape(title)}" font-family="inherit" font-size="10">',
        f"<title>{escape(title)}</title>",
        f'<line x1="{LEFT}" y1="{TALL}" x2="{width}" y2="{TALL}" stroke="#000"/>',
        f'<text x="{LEFT - 4}" y="22" text-anchor="end">{most:,.0f}</text>',
        f'<text x="{LEFT - 4}" y="{TALL}" text-anchor="end">0</text>',
        f'<text x="0" y="{TALL + FOOT - 4}">{escape(unit)}</text>',
    ]
    for number, (label, count) in enumerate(zip(labels, counts, strict=True)):
        x, high = LEFT + GAP + number * (BAR + GAP), (TALL - 18) * count / most
        parts.append(
            f'<rect x="{x}" y="{TALL - high:.1f}" width="{BAR}" height="{high:.1f}" fill="#555"/>'
            f'<text x="{x + BAR / 2}" y="{TALL - high - 3:.1f}" text-anchor="middle">{count:,.0f}</text>'
            f'<text x="{x + BAR / 2}" y="{TALL + 13}" text-anchor="middle">{escape(label)}</text>'
        )
    return "".join([*parts, "</svg>"])
