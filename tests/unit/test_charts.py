"""Pictures: marks stand where their figures say, in the right order, and every text is escaped."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keybench.report.charts import Axis, Point, Series, lines, log_axis, pareto_front, percent_axis, rank_plot, scatter

SVG = "{http://www.w3.org/2000/svg}"
HARSH = "<b>&\"'</b>"


def parse(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(str(svg).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def titles(svg: str) -> list[str]:
    return [element.text or "" for element in parse(svg).iter(f"{SVG}title")]


def curve(name: str = "one", ys: tuple[float, ...] = (0.2, 0.5, 0.9)) -> Series:
    return Series(name, [Point(i + 1.0, y, y - 0.1, y + 0.05, f"{name} {y}") for i, y in enumerate(ys)])


NOTES = Axis("notes", 1, 32, [1, 2, 4, 8, 16, 32], log=True)


def test_a_picture_has_a_title_a_description_and_a_title_per_mark() -> None:
    svg = lines([curve(), curve("two")], NOTES, percent_axis("right, %"), "Curves", "How right after how many notes.")
    root = parse(svg)
    assert root.get("role") == "img"
    named = {root.find(f"{SVG}{tag}").get("id") for tag in ("title", "desc")}
    assert named == set(root.get("aria-labelledby").split())
    assert titles(svg)[1:] == [f"{name} {y}" for name in ("one", "two") for y in (0.2, 0.5, 0.9)]


def test_larger_values_stand_higher_and_later_ones_further_right() -> None:
    root = parse(lines([curve()], NOTES, percent_axis("right, %"), "t", "d"))
    places = [tuple(map(float, pair.split(","))) for pair in root.find(f".//{SVG}polyline").get("points").split()]
    xs, ys = zip(*places, strict=True)
    assert list(xs) == sorted(xs)
    assert list(ys) == sorted(ys, reverse=True)


def test_whiskers_reach_from_low_to_high() -> None:
    root = parse(lines([Series("a", [Point(2, 0.5, 0.4, 0.7)])], NOTES, percent_axis("%"), "t", "d"))
    whisker = root.find(f".//{SVG}line[@class='whisker']")
    mark = root.find(f".//{SVG}circle")
    assert float(whisker.get("y2")) < float(mark.get("cy")) < float(whisker.get("y1"))


@pytest.mark.parametrize("draw", [
    lambda: lines([curve(HARSH)], Axis(HARSH, 1, 4, [1, 2]), percent_axis(HARSH), HARSH, HARSH),
    lambda: scatter([curve(HARSH)], Axis(HARSH, 1, 4, [1, 2]), percent_axis(HARSH), HARSH, HARSH),
    lambda: rank_plot([(HARSH, 1.2), ("b", 1.8)], [[HARSH, "b"]], 1.0, HARSH, HARSH),
])  # fmt: skip
def test_names_with_markup_are_escaped(draw) -> None:  # type: ignore[no-untyped-def]
    svg = draw()
    assert "<b>" not in svg
    assert parse(svg).find(f"{SVG}title").text == HARSH


def test_two_pictures_of_one_page_do_not_share_ids() -> None:
    a = lines([curve()], NOTES, percent_axis("%"), "t", "d")
    b = lines([curve("other")], NOTES, percent_axis("%"), "t", "d")
    assert not set(re.findall(r'id="(\w+)"', a)) & set(re.findall(r'id="(\w+)"', b))
    assert a == lines([curve()], NOTES, percent_axis("%"), "t", "d")


def test_pictures_without_marks_are_still_pictures() -> None:
    for svg in (lines([], NOTES, percent_axis("%"), "t", "d"), scatter([], NOTES, percent_axis("%"), "t", "d"),
                lines([Series("a", [])], NOTES, percent_axis("%"), "t", "d"),
                rank_plot([], [], 1.0, "t", "d")):  # fmt: skip
        assert parse(svg).tag == f"{SVG}svg"


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=1, max_size=30))
def test_no_point_beats_one_of_the_front(pairs: list[tuple[int, int]]) -> None:
    points = [Point(float(x), float(y)) for x, y in pairs]
    front = pareto_front(points)

    def beats(a: Point, b: Point) -> bool:
        return a.x <= b.x and a.y >= b.y and (a.x, a.y) != (b.x, b.y)

    unbeaten = {(p.x, p.y) for p in points if not any(beats(q, p) for q in points)}
    assert {(points[i].x, points[i].y) for i in front} == unbeaten


def test_methods_stand_from_best_to_worst_and_bars_span_their_groups() -> None:
    root = parse(rank_plot([("c", 3.0), ("a", 1.5), ("b", 1.5)], [["a", "b"]], 1.2, "ranks", "d"))
    names = [t.text for t in root.iter(f"{SVG}text") if "name" in t.get("class")]
    assert names == ["a", "b", "c"]
    assert "not told apart: a, b" in titles(root_text(root))


def root_text(root: ElementTree.Element) -> str:
    return ElementTree.tostring(root, encoding="unicode").replace("ns0:", "").replace(":ns0", "").replace(
        ' xmlns="http://www.w3.org/2000/svg"', "")  # fmt: skip


@given(st.lists(st.floats(1e-3, 1e5), min_size=1))
def test_a_log_axis_holds_its_values(values: list[float]) -> None:
    axis = log_axis("ms", values)
    places = np.array([axis.place(v) for v in values])
    assert axis.low <= min(values) * (1 + 1e-9)
    assert axis.high >= max(values) * (1 - 1e-9)
    assert ((places >= 0) & (places <= 1)).all()
    assert list(axis.ticks) == sorted(axis.ticks)


@pytest.mark.parametrize(("low", "first"), [(0.0, 0.0), (0.31, 0.4), (0.5, 0.5), (0.97, 0.9), (1.0, 0.9)])
def test_ticks_of_shares_end_at_the_whole(low: float, first: float) -> None:
    axis = percent_axis("right, %", low)
    assert axis.ticks[-1] == 1.0
    assert axis.low <= low
    assert axis.ticks[0] == pytest.approx(first)
