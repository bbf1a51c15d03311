"""Pictures as SVG text: lines, scatter and rank plots, drawn with the colours and letters of the page's style sheet.

Each mark carries its figures as a title, so that they show on hover and are read aloud; each picture has a title and a
description, and stands beside a table with the same numbers. A plotting library was measured first: it took longer to
import and draw than all the scoring, and its marks carry no titles.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from zlib import crc32

from markupsafe import Markup, escape

SERIES_STYLES = 6
"""Series that the style sheet tells apart, by colour, dashes and shape of mark."""


@dataclass(frozen=True)
class Point:
    """A mark: where it stands, its 95 % interval upwards and downwards (or none), and what it says on hover."""

    x: float
    y: float
    low: float | None = None
    high: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Series:
    """Marks that belong together, in the order of the line through them."""

    name: str
    points: Sequence[Point]


@dataclass(frozen=True)
class Axis:
    """One axis: what it measures, from where to where, where its ticks stand and what they say."""

    label: str
    low: float
    high: float
    ticks: Sequence[float]
    log: bool = False
    words: Callable[[float], str] = "{:g}".format

    def place(self, value: float) -> float:
        """Return how far along the axis a value lies, 0 to 1; values outside are held at its ends."""
        low, high, value = (math.log(v) if self.log else v for v in (self.low, self.high, max(value, self.low)))
        return min(max((value - low) / (high - low), 0.0), 1.0)


def percent_axis(label: str, low: float = 0.0) -> Axis:
    """Return an axis of shares, in per cent, from `low` rounded down to ten."""
    low = math.floor(10 * min(max(low, 0.0), 0.9)) / 10
    step = 0.1 if low >= 0.5 else 0.2
    ticks = [1.0 - step * i for i in range(round((1.0 - low) / step) + 1) if 1.0 - step * i >= low - 1e-9]
    return Axis(label, low, 1.0, sorted(ticks), words=lambda v: f"{100 * v:.0f}")


def log_axis(label: str, values: Sequence[float]) -> Axis:
    """Return an axis by powers of ten that holds all positive values."""
    positive = [v for v in values if v > 0 and math.isfinite(v)] or [1.0]
    low, high = math.floor(math.log10(min(positive))), math.ceil(math.log10(max(positive)))
    high = max(high, low + 1)
    return Axis(label, 10.0**low, 10.0**high, [10.0**e for e in range(low, high + 1)], log=True)


@dataclass(frozen=True)
class _Frame:
    """The room for marks inside a picture, in its own units."""

    width: float
    height: float
    left: float = 46.0
    right: float = 14.0
    top: float = 10.0
    bottom: float = 40.0

    def x(self, axis: Axis, value: float) -> float:
        return round(self.left + axis.place(value) * (self.width - self.left - self.right), 1)

    def y(self, axis: Axis, value: float) -> float:
        return round(self.height - self.bottom - axis.place(value) * (self.height - self.top - self.bottom), 1)


def _picture(frame: _Frame, title: str, description: str, content: list[str]) -> Markup:
    drawn = "".join(content)
    number = f"{crc32((title + description + drawn).encode()):08x}"  # one page may hold many pictures
    return Markup(
        f'<svg class="chart" role="img" aria-labelledby="t{number} d{number}" '
        f'viewBox="0 0 {frame.width:g} {frame.height:g}" style="max-width:{frame.width:g}px">'
        f'<title id="t{number}">{escape(title)}</title><desc id="d{number}">{escape(description)}</desc>'
        f"{drawn}</svg>"
    )


def _axes(frame: _Frame, x: Axis, y: Axis) -> list[str]:
    bottom, left = frame.height - frame.bottom, frame.left
    out = []
    for tick in y.ticks:
        at = frame.y(y, tick)
        out.append(f'<line class="grid" x1="{left}" x2="{frame.width - frame.right}" y1="{at}" y2="{at}"/>')
        out.append(f'<text class="tick end" x="{left - 6}" y="{at + 4}">{escape(y.words(tick))}</text>')
    for tick in x.ticks:
        at = frame.x(x, tick)
        out.append(f'<line class="grid" x1="{at}" x2="{at}" y1="{bottom}" y2="{bottom + 4}"/>')
        out.append(f'<text class="tick mid" x="{at}" y="{bottom + 17}">{escape(x.words(tick))}</text>')
    middle = (left + frame.width - frame.right) / 2
    out.append(f'<text class="axis mid" x="{middle:g}" y="{frame.height - 6:g}">{escape(x.label)}</text>')
    across = (frame.top + bottom) / 2
    out.append(
        f'<text class="axis mid" transform="translate(11 {across:g}) rotate(-90)" x="0" y="0">{escape(y.label)}</text>'
    )
    return out


def _mark(style: int, x: float, y: float, note: str) -> str:
    """Draw one mark; its shape tells series apart where colours cannot be seen."""
    r = 3.6
    shapes = (
        f'<circle cx="{x}" cy="{y}" r="{r}">',
        f'<rect x="{x - r:g}" y="{y - r:g}" width="{2 * r:g}" height="{2 * r:g}">',
        f'<path d="M{x} {y - 1.3 * r:g}l{1.25 * r:g} {2.2 * r:g}h{-2.5 * r:g}z">',
        f'<path d="M{x} {y - 1.35 * r:g}l{1.35 * r:g} {1.35 * r:g}l{-1.35 * r:g} {1.35 * r:g}'
        f'l{-1.35 * r:g} {-1.35 * r:g}z">',
        f'<path d="M{x} {y + 1.3 * r:g}l{1.25 * r:g} {-2.2 * r:g}h{-2.5 * r:g}z">',
        f'<circle class="open" cx="{x}" cy="{y}" r="{r}">',
    )
    shape = shapes[style % SERIES_STYLES]
    tag = shape[1 : shape.index(" ")]
    return f"{shape}<title>{escape(note)}</title></{tag}>"


def lines(
    series: Sequence[Series],
    x: Axis,
    y: Axis,
    title: str,
    description: str,
    width: float = 620.0,
    height: float = 330.0,
    diagonal: bool = False,
) -> Markup:
    """Draw one line per series, with marks and the intervals that its points have.

    Parameters
    ----------
    series : sequence of Series
        The first six are told apart by colour, dashes and mark; more begin again.
    diagonal : bool
        Whether to draw the line on which both axes agree.
    """
    frame = _Frame(width, height)
    out = _axes(frame, x, y)
    if diagonal:
        ends = (max(x.low, y.low), min(x.high, y.high))
        (x1, x2), (y1, y2) = ([frame.x(x, v) for v in ends], [frame.y(y, v) for v in ends])
        out.append(f'<line class="grid" x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"/>')
    for number, one in enumerate(series):
        places = [(frame.x(x, p.x), frame.y(y, p.y)) for p in one.points]
        out.append(f'<g class="s{number % SERIES_STYLES}">')
        for (at, _), point in zip(places, one.points, strict=True):
            if point.low is not None and point.high is not None:
                out.append(
                    f'<line class="whisker" x1="{at}" x2="{at}" y1="{frame.y(y, point.low)}" '
                    f'y2="{frame.y(y, point.high)}"/>'
                )
        if len(places) > 1:
            out.append('<polyline points="' + " ".join(f"{a},{b}" for a, b in places) + '"/>')
        out += [
            _mark(number, a, b, p.note or f"{one.name}: {y.words(p.y)} at {x.words(p.x)}")
            for (a, b), p in zip(places, one.points, strict=True)
        ]
        out.append("</g>")
    return _picture(frame, title, description, out)


def pareto_front(points: Sequence[Point]) -> list[int]:
    """Return which points no other beats: none has both a smaller x and a larger y; in the order of x."""
    order = sorted(range(len(points)), key=lambda i: (points[i].x, -points[i].y))
    front: list[int] = []
    for i in order:
        if not front or points[i].y > points[front[-1]].y:
            front.append(i)
    return front


def scatter(
    series: Sequence[Series],
    x: Axis,
    y: Axis,
    title: str,
    description: str,
    width: float = 620.0,
    height: float = 380.0,
) -> Markup:
    """Draw the named points of each series, and the front that none of them beats (small x and large y are best).

    Names are written beside the points of the front; the others say theirs on hover.
    """
    frame = _Frame(width, height)
    out = _axes(frame, x, y)
    points = [point for one in series for point in one.points]
    style = [i for i, one in enumerate(series) for _ in one.points]
    names = [one.name for one in series for _ in one.points]
    front = pareto_front(points)
    steps = []
    for before, after in pairwise(front):
        steps += [(points[before].x, points[before].y), (points[after].x, points[before].y)]
    if front:
        steps.append((points[front[-1]].x, points[front[-1]].y))
        path = " ".join(f"{frame.x(x, a)},{frame.y(y, b)}" for a, b in steps)
        out.append(f'<polyline class="front" points="{path}"/>')
    taken: list[tuple[float, float, float]] = []
    for i, point in enumerate(points):
        a, b = frame.x(x, point.x), frame.y(y, point.y)
        kind = "s0 best" if i in front else "s1"
        out.append(f'<g class="{kind}">{_mark(style[i] if len(series) <= SERIES_STYLES else 0, a, b, point.note)}</g>')
        if i in front:
            out.append(_name_beside(frame, names[i], a, b, taken))
    return _picture(frame, title, description, out)


def _name_beside(frame: _Frame, name: str, a: float, b: float, taken: list[tuple[float, float, float]]) -> str:
    """Write a name beside a mark, lower where another name stands already."""
    wide = 6.2 * len(name)
    left = a + 8 + wide > frame.width - frame.right
    start = a - 8 - wide if left else a + 8
    at = b + 4
    while any(abs(at - other) < 13 and start < end and begin < start + wide for begin, end, other in taken):
        at += 13
    taken.append((start, start + wide, at))
    return (
        f'<text class="name{" end" if left else ""}" x="{a - 8 if left else a + 8:g}" y="{at:g}">{escape(name)}</text>'
    )


def rank_plot(
    ranks: Sequence[tuple[str, float]], groups: Sequence[Sequence[str]], critical: float, title: str, description: str
) -> Markup:
    """Draw methods along their mean ranks, a bar over each set that the critical difference does not tell apart.

    Parameters
    ----------
    ranks : sequence of (name, mean rank)
        1 is best.
    groups : sequence of sequences of names
    critical : float
        Difference of mean ranks that would be beyond chance; drawn as a measure at the top.

    Notes
    -----
    The form is that of Demsar 2006 (Journal of Machine Learning Research 7), turned so that it fits a narrow window:
    a line per method, the best at the top.
    """
    ordered = sorted(ranks, key=lambda pair: pair[1])
    row = 20.0
    widest = max((len(name) for name, _ in ordered), default=0)
    frame = _Frame(
        620.0, 62.0 + row * len(ordered), left=min(16.0 + 6.4 * widest, 300.0), right=24.0 + 9.0 * len(groups), top=26.0
    )
    most = math.ceil(max([rank for _, rank in ordered] + [1 + critical]))
    axis = Axis("mean rank (1 is best)", 1.0, float(max(most, 2)), list(range(1, max(most, 2) + 1)))
    out = []
    bottom = frame.top + row * len(ordered)
    for tick in axis.ticks:
        at = frame.x(axis, tick)
        out.append(f'<line class="grid" x1="{at}" x2="{at}" y1="{frame.top}" y2="{bottom}"/>')
        out.append(f'<text class="tick mid" x="{at}" y="{bottom + 15:g}">{tick:g}</text>')
    out.append(f'<text class="axis mid" x="{(frame.left + frame.width - frame.right) / 2:g}" y="{bottom + 31:g}">'
               f"{axis.label}</text>")  # fmt: skip
    a, b = frame.x(axis, 1.0), frame.x(axis, 1.0 + critical)
    out.append(f'<path class="measure" d="M{a} 8v6M{a} 11H{b}M{b} 8v6"/>')
    out.append(f'<text class="tick" x="{b + 5:g}" y="15">critical difference {critical:.2f}</text>')
    lies = {}
    for i, (name, rank) in enumerate(ordered):
        at = frame.top + row * (i + 0.5)
        lies[name] = at
        out.append(f'<text class="name end" x="{frame.left - 8:g}" y="{at + 4:g}">{escape(name)}</text>')
        out.append(f'<g class="s0">{_mark(0, frame.x(axis, rank), at, f"{name}: mean rank {rank:.2f}")}</g>')
    for i, group in enumerate(groups):
        at = frame.width - frame.right + 10 + 9 * i
        ends = [lies[name] for name in group]
        out.append(
            f'<path class="together" d="M{at:g} {min(ends) - 6:g}V{max(ends) + 6:g}">'
            f"<title>not told apart: {escape(', '.join(group))}</title></path>"
        )
    return _picture(frame, title, description, out)
