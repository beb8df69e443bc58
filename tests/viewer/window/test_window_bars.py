"""A dense line drawn as bars against every point of it, and the scale of a live strip, which holds still."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from crankfold.analysis import Channel
from crankfold.viewer.picture import Box, Path, Words
from crankfold.viewer.picture.look import LIGHT
from crankfold.viewer.window.plots import LiveLine, bars_of
from crankfold.viewer.window.plots.strip_items import live_scales, live_strip

TALL = 200


def zigzag(seed: int, columns: float, pairs: int, height: float = 80.0) -> NDArray[np.float64]:
    draw = np.random.default_rng(seed)
    x = np.repeat(np.linspace(3.0, 3.0 + columns, pairs), 2)
    return np.column_stack([x, 100.0 + np.cumsum(draw.normal(0.0, height / 40.0, 2 * pairs)).clip(-height, height)])


@given(st.integers(0, 1000), st.floats(5.0, 300.0), st.integers(5, 400), st.floats(1.0, 4.0))
@settings(max_examples=80, deadline=None)
def test_every_point_is_inked_and_nothing_far_from_the_line(seed: int, columns: float, pairs: int,
                                                            thick: float) -> None:
    points = zigzag(seed, columns, pairs)
    bars = bars_of(points, thick, TALL)
    assert bars is not None
    at = np.floor(points).astype(int) - (bars.left, bars.top)
    rows = at[:, 1].clip(0, bars.inked.shape[0] - 1)
    near = bars.inked[rows, at[:, 0]]
    for beside in (rows - 1, rows + 1):  # half a pixel of rounding
        near = near | bars.inked[beside.clip(0, bars.inked.shape[0] - 1), at[:, 0]]
    assert near.all()
    inked_y = np.flatnonzero(bars.inked.any(axis=1)) + bars.top
    assert inked_y.min() >= points[:, 1].min() - thick / 2.0 - 1.0
    assert inked_y.max() <= points[:, 1].max() + thick / 2.0 + 1.0


@given(st.integers(0, 1000), st.floats(20.0, 300.0), st.floats(1.0, 4.0))
@settings(max_examples=60, deadline=None)
def test_the_line_never_breaks(seed: int, columns: float, thick: float) -> None:
    bars = bars_of(zigzag(seed, columns, 120), thick, TALL)
    assert bars is not None
    assert bars.inked.any(axis=0).all(), "every column has ink"
    touching = (bars.inked[:, 1:] & bars.inked[:, :-1]).any(axis=0)
    assert touching.all(), "and it meets that of the column before"


def test_lines_that_are_not_dense_are_left_to_others() -> None:
    points = zigzag(1, 200.0, 50)
    assert bars_of(points[::2], 1.0, TALL) is None, "fewer points than two a column"
    assert bars_of(points[::-1], 1.0, TALL) is None, "from right to left"
    points[7, 1] = np.nan
    assert bars_of(points, 1.0, TALL) is None, "a hole"


@pytest.mark.parametrize("ratio", [1.0, 1.25, 2.0, 3.0])
def test_bars_lie_where_the_line_lies_at_any_scale_of_the_screen(application: Any, ratio: float) -> None:
    from PySide6.QtCore import QSizeF

    from crankfold.viewer.window.painting import pixmap_of

    x = np.repeat(np.linspace(20.0, 180.0, 700), 2)
    points = np.column_stack([x, np.where(np.arange(1400) % 2, 30.0, 70.0)])
    image = pixmap_of([Path(points, stroke="#26211a", width=0.8)], QSizeF(200.0, 100.0), ratio).toImage()
    inked = np.array([[image.pixelColor(i, j).alpha() > 0 for i in range(image.width())]
                      for j in range(image.height())])
    rows, columns = np.flatnonzero(inked.any(axis=1)) / ratio, np.flatnonzero(inked.any(axis=0)) / ratio
    assert (rows.min(), rows.max()) == pytest.approx((30.0, 70.0), abs=1.6)
    assert (columns.min(), columns.max()) == pytest.approx((20.0, 180.0), abs=1.6)
    middle = inked[round(35 * ratio) : round(65 * ratio), round(25 * ratio) : round(175 * ratio)]
    assert middle.all()


CHANNELS = (Channel("current", "A", 1.0), Channel("sync", "V", 1.0, 0.0, (-10, 10)))
BOX = Box(0.0, 0.0, 800.0, 300.0)


def live(current: NDArray[np.float64], sync: NDArray[np.float64]) -> list[Any]:
    time_s = np.repeat(np.arange(len(current) // 2) * 0.005, 2)
    return live_strip((LiveLine(time_s, current), LiveLine(time_s, sync)), BOX, LIGHT, channels=CHANNELS, shown_s=8.0)


def noise(seed: int, size: float, count: int = 800) -> NDArray[np.float64]:
    return np.random.default_rng(seed).normal(0.0, size, count)


def test_the_scale_of_a_quiet_stream_holds_still() -> None:
    scales = {tuple((w.y, w.text) for w in live(noise(k, 1.5), noise(k, 0.01)) if isinstance(w, Words)
                    and w.anchor == "end") for k in range(30)}
    assert len(scales) == 1


@given(st.floats(-900.0, 900.0), st.floats(0.0, 2000.0))
@settings(max_examples=80, deadline=None)
def test_the_current_stays_on_the_strip_and_out_of_the_second_channels_lane(low: float, span: float) -> None:
    current = np.tile([low, low + span], 400)
    paths = [item for item in live(current, np.tile([0.0, 5.0], 400)) if isinstance(item, Path)]
    assert {p.stroke for p in paths} == {LIGHT.ink, LIGHT.plum}
    ink, plum = (next(p.points[:, 1] for p in paths if p.stroke == colour) for colour in (LIGHT.ink, LIGHT.plum))
    plot = live_scales(_data(), BOX).plot
    assert plot.top <= ink.min()
    assert ink.max() < plum.min() - 4.0
    assert plum.max() <= plot.bottom + 1e-6
    if span >= 100.0:
        assert ink.max() - ink.min() > 0.6 * plot.height, "and fills it"


def test_noise_on_the_second_channel_is_not_blown_up() -> None:
    plum = next(p.points[:, 1] for p in live(noise(1, 1.5), noise(2, 0.01)) if isinstance(p, Path)
                and p.stroke == LIGHT.plum)
    assert plum.max() - plum.min() < 5.0


def _data() -> Any:
    from crankfold.viewer.picture import StripData

    nothing = np.zeros(2)
    return StripData(nothing, nothing, nothing, (0.0, 8.0), 1.0, 0.0, None, (), (), (), "A")
