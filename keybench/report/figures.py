"""The picture of how honest probabilities are, as SVG text in the colours of the page's own style sheet.

Drawn by hand: to import a plotting library and draw six small panels took as long as all the scoring.
"""

from __future__ import annotations

from markupsafe import Markup, escape

_SIDE = 150.0  # of the square that a panel draws in
_LEFT, _TOP, _ACROSS, _DOWN = 40.0, 20.0, 34.0, 46.0  # margins of the picture, and room between panels
_MAX_COLUMNS = 3
_TICKS = (0.0, 0.5, 1.0)
_LARGEST = 1.02  # of the axes, so that a mark at 1 is whole
_STYLE = 'font-family="sans-serif" font-size="9" fill="var(--ink)"'


def reliability_svg(panels: list[tuple[str, list[tuple[float, float, int]]]]) -> Markup:
    """Draw said against right, one panel per method.

    Parameters
    ----------
    panels : list of (title, points)
        Points as from `keybench.scores.calibration.reliability`.

    Returns
    -------
    Markup
        An ``svg`` element. The page tells the same in a table.
    """
    columns = min(_MAX_COLUMNS, max(len(panels), 1))
    rows = -(-len(panels) // columns)
    width = _LEFT + columns * (_SIDE + _ACROSS)
    height = _TOP + rows * (_SIDE + _DOWN)
    drawn = [_panel(title, points, *divmod(i, columns)) for i, (title, points) in enumerate(panels)]
    middle = _TOP + (height - _TOP - _DOWN) / 2
    return Markup(
        f'<svg class="figure" viewBox="0 0 {width:g} {height:g}" aria-hidden="true" {_STYLE} text-anchor="middle">'
        + "".join(drawn)
        + f'<text x="{width / 2:g}" y="{height - 8:g}">how sure it says it is</text>'
        f'<text transform="translate(10 {middle:g}) rotate(-90)">share right</text></svg>'
    )


def _panel(title: str, points: list[tuple[float, float, int]], row: int, column: int) -> str:
    left, top = _LEFT + column * (_SIDE + _ACROSS), _TOP + row * (_SIDE + _DOWN)
    bottom = top + _SIDE

    def x(share: float) -> str:
        return f"{left + share / _LARGEST * _SIDE:.1f}"

    def y(share: float) -> str:
        return f"{bottom - share / _LARGEST * _SIDE:.1f}"

    ticks = "".join(
        f'<text x="{x(tick)}" y="{bottom + 13:g}">{tick:g}</text>'
        f'<text x="{left - 6:g}" y="{y(tick)}" dy="3" text-anchor="end">{tick:g}</text>'
        for tick in _TICKS
    )
    path = " ".join(f"{x(said)},{y(right)}" for said, right, _ in points)
    marks = "".join(f'<circle cx="{x(said)}" cy="{y(right)}" r="2"/>' for said, right, _ in points)
    return (
        f'<g><text x="{left + _SIDE / 2:g}" y="{top - 6:g}">{escape(title)}</text>{ticks}'
        f'<g fill="none" stroke="var(--line)"><path d="M{left:g} {top:g}V{bottom:g}H{left + _SIDE:g}"/>'
        f'<path d="M{x(0)} {y(0)}L{x(1)} {y(1)}"/></g>'
        f'<polyline points="{path}" fill="none" stroke="var(--accent)" stroke-width="1.5"/>'
        f'<g fill="var(--accent)">{marks}</g></g>'
    )
