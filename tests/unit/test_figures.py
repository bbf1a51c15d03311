"""The picture of how honest probabilities are: marks stand where their figures say, and every name is escaped."""

from xml.etree import ElementTree

import pytest

from keybench.report.figures import reliability_svg

SVG = "{http://www.w3.org/2000/svg}"
PANELS = [(f"method <{i}>", [(0.2, 0.1, 5), (0.9, 1.0, 5)]) for i in range(4)]


def read(panels):
    text = str(reliability_svg(panels))
    return ElementTree.fromstring(text.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1))


def test_marks_stand_where_their_figures_say():
    root = read(PANELS)
    marks = [(float(c.get("cx")), float(c.get("cy"))) for c in root.iter(f"{SVG}circle")]
    assert len(marks) == 8
    zero, one = read([("m", [(0.0, 0.0, 1), (1.0, 1.0, 1)])]).iter(f"{SVG}circle")
    x0, y0, x1, y1 = (float(v) for v in (zero.get("cx"), zero.get("cy"), one.get("cx"), one.get("cy")))
    assert marks[:2] == [
        pytest.approx((x0 + 0.2 * (x1 - x0), y0 + 0.1 * (y1 - y0)), abs=0.11),
        pytest.approx((x0 + 0.9 * (x1 - x0), y1), abs=0.11),
    ]
    assert x0 < x1
    assert y1 < y0  # up is more


def test_panels_are_named_and_stand_inside_the_picture():
    root = read(PANELS)
    _, _, width, height = map(float, root.get("viewBox").split())
    texts = [text.text for text in root.iter(f"{SVG}text")]
    assert [text for text in texts if text.startswith("method")] == [title for title, _ in PANELS]
    for mark in root.iter(f"{SVG}circle"):
        assert 0 < float(mark.get("cx")) < width
        assert 0 < float(mark.get("cy")) < height


def test_a_panel_without_points_and_no_panels_are_drawn():
    assert not list(read([("silent", [])]).iter(f"{SVG}circle"))
    assert read([]).get("viewBox")
