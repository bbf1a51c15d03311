"""Pictures as SVG text, drawn by matplotlib and coloured by the page's own style sheet."""

from __future__ import annotations

import io
import re
from typing import Any

# Stand-in colours, exchanged for style-sheet variables so that the picture follows the page into dark mode.
_INK, _FAINT, _ACCENT = "#010203", "#040506", "#070809"
_VARIABLES = {_INK: "var(--ink)", _FAINT: "var(--line)", _ACCENT: "var(--accent)"}


def reliability_svg(panels: list[tuple[str, list[tuple[float, float, int]]]]) -> str:
    """Draw said against right, one panel per method.

    Parameters
    ----------
    panels : list of (title, points)
        Points as from `keybench.scores.calibration.reliability`.

    Returns
    -------
    str
        An ``svg`` element.
    """
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    columns = min(3, len(panels))
    rows = -(-len(panels) // columns)
    style: Any = {"svg.fonttype": "none", "svg.hashsalt": "keybench", "font.size": 9, "text.color": _INK,
             "axes.edgecolor": _FAINT, "axes.labelcolor": _INK, "xtick.color": _INK, "ytick.color": _INK}  # fmt: skip
    with matplotlib.rc_context(style):
        figure = Figure(figsize=(2.6 * columns, 2.75 * rows), layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.subplots(rows, columns, squeeze=False).ravel()
        for axis, (title, points) in zip(axes, panels, strict=False):
            axis.plot([0, 1], [0, 1], color=_FAINT, linewidth=1)
            said, right, _ = zip(*points, strict=True) if points else ((), (), ())
            axis.plot(said, right, color=_ACCENT, linewidth=1.5, marker="o", markersize=4)
            axis.set(xlim=(0, 1.02), ylim=(0, 1.02), aspect="equal", xticks=(0, 0.5, 1), yticks=(0, 0.5, 1))
            axis.set_title(title, fontsize=9)
            axis.patch.set_alpha(0)
            for side in ("top", "right"):
                axis.spines[side].set_visible(False)
        for axis in axes[len(panels) :]:
            axis.set_visible(False)
        figure.supxlabel("how sure it says it is", fontsize=9)
        figure.supylabel("share right", fontsize=9)
        figure.patch.set_alpha(0)
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    for colour, variable in _VARIABLES.items():
        svg = svg.replace(colour, variable)
    svg = re.sub(r"font: ([^;\"]*?)'[^\"]*?\"", r'font: \1sans-serif"', svg)
    opening = r'<svg class="figure" viewBox="\1" aria-hidden="true">'
    return re.sub(r'<svg[^>]*?viewBox="([^"]+)"[^>]*>', opening, svg, count=1)
